package phone

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"chaffinch/publish"
)

// Options say what the server serves. Board and Submit must be given.
type Options struct {
	Settings Settings
	Board    *publish.Board
	Submit   publish.Submit
	Machine  string // its name, for people
	Version  string
	Boot     uint64 // the number of this run
	// Keep holds the paired devices and the generated certificate.
	Keep Keep
	// Date is the calendar time, and whether it can be trusted. Nil: it cannot.
	Date func() (time.Time, bool)
	// Finder looks for signals by what the machine's display says. May be nil.
	Finder *Finder
	// Downloads lists what can be fetched. May be nil.
	Downloads func() []Download
	// Show is told of each code that a person at the computer should see. It
	// must not wait. May be nil: codes are logged in any case.
	Show func(Code)
	Log  *slog.Logger // may be nil

	// Now is time for intervals, and Random makes codes and tokens. Nil: the
	// real ones.
	Now    func() time.Time
	Random io.Reader
}

// limits of time and size for every connection.
type limits struct {
	header, read, write, idle time.Duration
	beat                      time.Duration // of the stream
	chunk                     time.Duration // for one write on the stream
	submit                    time.Duration // for the program to take an input
	retry                     time.Duration // of listening
}

var usualLimits = limits{
	header: 5 * time.Second, read: 10 * time.Second, write: 15 * time.Second, idle: 60 * time.Second,
	beat: 5 * time.Second, chunk: 5 * time.Second, submit: 5 * time.Second, retry: 5 * time.Second,
}

// maxHeader is how long the head of a request may be, in bytes (net/http adds
// 4 kB to it).
const maxHeader = 8 << 10

// Server is the page and its API. It may be used from several goroutines.
type Server struct {
	opts    Options
	log     *slog.Logger
	limits  limits
	named   []string // names of this computer
	page    map[string]file
	routes  map[string]map[string]route // by path and method
	devices *devices
	pairing *pairing
	streams streams
	// How often strangers and paired devices may ask, and how often anybody may
	// change something.
	strangers, paired, changes *meter
	hush                       *hush
	downloading                chan struct{} // a place for each download that runs
	lengths                    lengths       // of downloads

	closing chan struct{} // closed when streams must end
	close   sync.Once
	panics  atomic.Int64
	refused atomic.Int64 // requests that did not pass the gate

	mu       sync.Mutex
	listener *listener // nil while it does not listen
	failure  error     // why it does not
}

// Health is how the server is.
type Health struct {
	Address string // where it listens; empty if it does not
	Err     error  // why it does not listen
	Streams int
	Conns   int
	Evicted int64 // connections of strangers that had to give way
	Refused int64 // requests turned away
	Panics  int64
}

// New prepares a server. It does not listen yet.
func New(o Options) (*Server, error) {
	if o.Board == nil || o.Submit == nil {
		return nil, errors.New("phone: a board and a submit are needed")
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Random == nil {
		o.Random = rand.Reader
	}
	files, err := loadPage()
	if err != nil {
		return nil, err
	}
	s := &Server{
		opts: o, log: o.Log, limits: usualLimits, page: files, routes: routeTable(),
		devices: loadDevices(o.Keep, o.Random, o.Log), pairing: &pairing{now: o.Now, random: o.Random},
		strangers: newMeter(pace{burst: 120, perSecond: 10}), paired: newMeter(pace{burst: 240, perSecond: 20}),
		changes: newMeter(pace{burst: 20, perSecond: 1}),
		hush:    &hush{now: o.Now, last: map[string]*said{}}, closing: make(chan struct{}),
		downloading: make(chan struct{}, mostDownloads),
	}
	s.named = s.names()
	return s, nil
}

// Run serves until ctx ends. Where its address cannot be had, or is lost, it tries
// again.
func (s *Server) Run(ctx context.Context) error {
	config, err := s.tlsConfig()
	if err != nil {
		s.fail(err)
		return fmt.Errorf("phone: %w", err)
	}
	told := ""
	for {
		ln, err := net.Listen("tcp", s.opts.Settings.Listen)
		if err == nil {
			err = s.serve(ctx, ln, config)
		}
		if err == nil {
			return nil
		}
		s.fail(err)
		if err.Error() != told {
			told = err.Error()
			s.log.Warn("the page is not served yet", "error", err)
		}
		select {
		case <-time.After(s.limits.retry):
		case <-ctx.Done():
			return nil
		}
	}
}

func (s *Server) fail(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.failure = err
}

// serve serves on a listener until ctx ends.
func (s *Server) serve(ctx context.Context, ln net.Listener, config *tls.Config) error {
	bounded := newListener(ln)
	s.mu.Lock()
	s.listener, s.failure = bounded, nil
	s.mu.Unlock()
	outer := net.Listener(bounded)
	if config != nil {
		outer = tls.NewListener(bounded, config)
	}
	protocols := &http.Protocols{}
	protocols.SetHTTP1(true)
	server := &http.Server{
		Handler: s, Protocols: protocols, MaxHeaderBytes: maxHeader,
		ReadHeaderTimeout: s.limits.header, ReadTimeout: s.limits.read, WriteTimeout: s.limits.write, IdleTimeout: s.limits.idle,
		ConnContext: func(ctx context.Context, c net.Conn) context.Context {
			return context.WithValue(ctx, connKey{}, inner(c))
		},
		// Strangers decide how often it writes: the program says itself what
		// must be known.
		ErrorLog: log.New(io.Discard, "", 0),
	}
	s.log.Info("the page is served", "url", s.url(""))
	showing, stop := context.WithCancel(ctx)
	shown := make(chan struct{})
	go func() { defer close(shown); s.showCodes(showing) }()
	served := make(chan error, 1)
	go func() { served <- server.Serve(outer) }()
	var err error
	select {
	case err = <-served:
	case <-ctx.Done():
		s.close.Do(func() { close(s.closing) })
		last, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
		defer cancel()
		if server.Shutdown(last) != nil {
			server.Close()
		}
		err = <-served
	}
	stop()
	<-shown
	server.Close() // what was open when the listener failed
	err = fmt.Errorf("phone: %w", err)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.listener = nil
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	s.failure = err
	return err
}

// connKey finds the connection in the context of a request.
type connKey struct{}

// Health is how the server is.
func (s *Server) Health() Health {
	h := Health{Streams: s.streams.count(), Refused: s.refused.Load(), Panics: s.panics.Load()}
	s.mu.Lock()
	defer s.mu.Unlock()
	h.Err = s.failure
	if s.listener != nil {
		h.Address = s.listener.Addr().String()
		h.Conns, h.Evicted = s.listener.count(), s.listener.evicted.Load()+s.listener.refused.Load()
	}
	return h
}

// date is the calendar time for people, or nil.
func (s *Server) date() *time.Time {
	if s.opts.Date == nil {
		return nil
	}
	t, trusted := s.opts.Date()
	if !trusted {
		return nil
	}
	t = t.UTC().Truncate(time.Millisecond)
	return &t
}
