package mqtt

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"chaffinch/internal/problem"
	"chaffinch/publish"
)

const (
	connectWait = 10 * time.Second // for network, TLS and CONNACK each
	writeWait   = 5 * time.Second
	ackWait     = 20 * time.Second
	keepAlive   = 30 * time.Second
	pingWait    = 10 * time.Second
	// A broker sends what it has retained right behind the acknowledgement of
	// a subscription; sweepQuiet without another message is the end of it.
	sweepQuiet = 300 * time.Millisecond
	sweepMost  = 3 * time.Second
)

var errLost = errors.New("connection lost")

// session is one connection to a broker elsewhere. It is never used again
// once anything on it failed.
type session interface {
	// publish returns nil only if the broker has the message: at QoS 1 it has
	// acknowledged, and the connection still stands.
	publish(ctx context.Context, m publish.Message) error
	// sweep lists the topics that match a filter and on which the broker retains
	// something.
	sweep(ctx context.Context, filters ...string) ([]string, error)
	lost() <-chan struct{} // closed when the connection is lost
	close()
}

// link is a session by way of the client library, used so that its tokens can
// be trusted: with automatic reconnect a publish token completes without an
// error though the message was never acknowledged. So there is none, each
// connection has a new client, and sessions are clean.
type link struct {
	client paho.Client
	gone   chan struct{}
	once   sync.Once
	cancel context.CancelFunc
}

// dial connects. The will on availability is set; nothing is published yet.
func dial(ctx context.Context, log *slog.Logger, s Server, topics publish.Topics) (session, error) {
	bridgeLogs(log)
	u, err := url.Parse(s.Broker)
	if err != nil {
		return nil, errors.New("mqtt: the address of the broker is not one")
	}
	password, err := readPassword(s.PasswordFile)
	if err != nil {
		return nil, err
	}
	secure, err := tlsConfig(u, s.CAFile)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithCancel(ctx)
	l := &link{gone: make(chan struct{}), cancel: cancel}
	o := paho.NewClientOptions().
		AddBroker(u.Scheme+"://"+u.Host).
		SetClientID(clientID(s.ClientID, topics)).
		SetUsername(s.Username).SetPassword(password).
		SetProtocolVersion(4). // 3.1.1, and no falling back to 3.1
		SetCleanSession(true).SetAutoReconnect(false).SetConnectRetry(false).
		SetOrderMatters(false).
		SetConnectTimeout(connectWait).SetWriteTimeout(writeWait).SetKeepAlive(keepAlive).SetPingTimeout(pingWait).
		SetWill(topics.Availability(), publish.Offline, 1, true).
		// The library's own dialling would go through a proxy if the
		// environment names one, and ignores ctx.
		SetCustomOpenConnectionFn(func(*url.URL, paho.ClientOptions) (net.Conn, error) { return open(ctx, u, secure) }).
		SetConnectionLostHandler(func(paho.Client, error) { l.lose() })
	l.client = paho.NewClient(o)
	if err := l.wait(ctx, l.client.Connect(), 3*connectWait); err != nil {
		l.close()
		return nil, fmt.Errorf("mqtt: connect to %s: %w", u.Host, err)
	}
	return l, nil
}

func clientID(given string, topics publish.Topics) string {
	if given != "" {
		return given
	}
	return "chaffinch-" + topics.Machine()
}

func readPassword(path string) (string, error) {
	if path == "" {
		return "", nil
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return "", fmt.Errorf("mqtt: read the password: %w", err)
	}
	return strings.TrimRight(string(data), "\r\n"), nil
}

// tlsConfig is nil where the URL asks for none.
func tlsConfig(u *url.URL, caFile string) (*tls.Config, error) {
	if u.Scheme != "mqtts" {
		return nil, nil
	}
	c := &tls.Config{ServerName: u.Hostname(), MinVersion: tls.VersionTLS12}
	if caFile == "" {
		return c, nil
	}
	pem, err := os.ReadFile(caFile)
	if err != nil {
		return nil, fmt.Errorf("mqtt: read ca_file: %w", err)
	}
	c.RootCAs = x509.NewCertPool()
	if !c.RootCAs.AppendCertsFromPEM(pem) {
		return nil, &problem.Problem{What: caFile + " holds no certificate", Try: "give a PEM file that begins with -----BEGIN CERTIFICATE-----"}
	}
	return c, nil
}

func open(ctx context.Context, u *url.URL, secure *tls.Config) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, connectWait)
	defer cancel()
	port := u.Port()
	if port == "" {
		port = map[bool]string{false: "1883", true: "8883"}[secure != nil]
	}
	address := net.JoinHostPort(u.Hostname(), port)
	if secure != nil {
		return (&tls.Dialer{Config: secure}).DialContext(ctx, "tcp", address)
	}
	return (&net.Dialer{}).DialContext(ctx, "tcp", address)
}

func (l *link) lose() { l.once.Do(func() { close(l.gone) }) }

func (l *link) lost() <-chan struct{} { return l.gone }

// wait waits for a token, which may never complete by itself.
func (l *link) wait(ctx context.Context, t paho.Token, most time.Duration) error {
	timeout := time.NewTimer(most)
	defer timeout.Stop()
	select {
	case <-t.Done():
		return t.Error()
	case <-l.gone:
		return errLost
	case <-timeout.C:
		return errors.New("no answer")
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (l *link) publish(ctx context.Context, m publish.Message) error {
	if err := l.wait(ctx, l.client.Publish(m.Topic, m.QoS, m.Retain, m.Payload), ackWait); err != nil {
		return err
	}
	if !l.client.IsConnectionOpen() {
		return errLost
	}
	return nil
}

// sweep subscribes for a moment. The handler only takes notes and never
// waits, for a handler that waits can lock up the library.
func (l *link) sweep(ctx context.Context, filters ...string) ([]string, error) {
	found := make(chan string, 1024)
	all := map[string]byte{}
	for _, filter := range filters {
		all[filter] = 0
	}
	t := l.client.SubscribeMultiple(all, func(_ paho.Client, m paho.Message) {
		if m.Retained() && len(m.Payload()) > 0 {
			select {
			case found <- m.Topic():
			default:
			}
		}
	})
	if err := l.wait(ctx, t, ackWait); err != nil {
		return nil, err
	}
	end := time.NewTimer(sweepMost)
	defer end.Stop()
	var topics []string
	for waiting := true; waiting; {
		select {
		case topic := <-found:
			topics = append(topics, topic)
		case <-time.After(sweepQuiet):
			waiting = false
		case <-end.C:
			waiting = false
		case <-l.gone:
			return nil, errLost
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
	slices.Sort(topics)
	return slices.Compact(topics), l.wait(ctx, l.client.Unsubscribe(filters...), ackWait)
}

func (l *link) close() {
	l.client.Disconnect(100)
	l.cancel()
	l.lose()
}

// bridged guards the client library's loggers, which are variables of its
// package: they are set once and for all, before the first client is made.
var bridged sync.Once

func bridgeLogs(log *slog.Logger) {
	bridged.Do(func() {
		q := slog.New(newQuiet(log.Handler()))
		paho.CRITICAL = pahoLog{q, slog.LevelWarn}
		paho.ERROR = pahoLog{q, slog.LevelInfo}
		paho.WARN = pahoLog{q, slog.LevelDebug}
	})
}

// pahoLog is a logger of the client library that writes to slog. The text is
// an attribute, so that repeats with other figures are still held back.
type pahoLog struct {
	log   *slog.Logger
	level slog.Level
}

func (p pahoLog) Println(v ...any) {
	p.log.Log(context.Background(), p.level, "mqtt client", "says", strings.TrimSpace(fmt.Sprintln(v...)))
}

func (p pahoLog) Printf(format string, v ...any) {
	p.log.Log(context.Background(), p.level, "mqtt client", "says", strings.TrimSpace(fmt.Sprintf(format, v...)))
}
