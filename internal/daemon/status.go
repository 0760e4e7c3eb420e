package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/url"
	"os"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/machine"
	"chaffinch/publish"
	"chaffinch/store"
)

// Status is how the program is, as it writes it down for "chaffinch status".
// There are no secrets in it, and no positions: anybody on the computer may read
// it.
type Status struct {
	Schema int `json:"schema"` // 1
	// WrittenNS is when it was written, on the clock that counts from the
	// computer's start and never jumps, in nanoseconds.
	WrittenNS int64 `json:"written_ns"`

	Well bool   `json:"well"`
	What string `json:"what"` // that is not well, or not quite; empty if nothing
	Do   string `json:"do"`   // the one thing to do about it

	Version string  `json:"version"`
	Machine string  `json:"machine"`
	UptimeS float64 `json:"uptime_s"`
	PID     int     `json:"pid"`

	Bus      BusStatus     `json:"bus"`
	Signals  SignalsStatus `json:"signals"`
	Activity string        `json:"activity"`
	// ActivityS is how long that has gone on.
	ActivityS float64      `json:"activity_s"`
	EngineRPM *float64     `json:"engine_rpm"` // nil: not known
	Store     StoreStatus  `json:"store"`
	Clock     ClockStatus  `json:"clock"`
	MQTT      MQTTStatus   `json:"mqtt"`
	Page      PageStatus   `json:"page"`
	Alerts    []string     `json:"alerts"` // active
	LastAlert *AlertStatus `json:"last_alert"`
	Start     StartStatus  `json:"start"`
}

// BusStatus is how the bus is.
type BusStatus struct {
	Interface   string   `json:"interface"`
	State       string   `json:"state"` // absent, down, up, refused
	Mode        string   `json:"mode"`  // listen-only, normal, virtual, unknown
	Bitrate     int      `json:"bitrate"`
	FramesPerS  float64  `json:"frames_per_s"`
	Frames      uint64   `json:"frames"`
	LoadPct     *float64 `json:"load_pct"` // nil: not known
	Dropped     uint64   `json:"dropped"`
	Overruns    uint64   `json:"overruns"` // of the controller
	ErrorFrames uint64   `json:"error_frames"`
}

// SignalsStatus is what is heard of the machine, by the signals' names.
type SignalsStatus struct {
	Heard  []string `json:"heard"`  // now
	Silent []string `json:"silent"` // heard before, and of no use now
	Never  []string `json:"never"`  // not heard since the start
}

// StoreStatus is how the recording goes.
type StoreStatus struct {
	Recording  bool    `json:"recording"`
	Why        string  `json:"why"` // it does not
	Path       string  `json:"path"`
	UsedMB     float64 `json:"used_mb"`
	MaxMB      float64 `json:"max_mb"`
	Waiting    int     `json:"waiting"`
	Dropped    uint64  `json:"history_dropped"`
	BadRecords uint64  `json:"bad_records"`
	// Damaged says that the file was damaged when it was opened; SetAside is
	// where it is now, and Kept how many records were saved from it.
	Damaged  bool   `json:"damaged"`
	SetAside string `json:"set_aside"`
	Kept     int    `json:"kept"`
}

// ClockStatus is where dates are from: "system", "gnss", "bus" or "unset".
type ClockStatus struct {
	Set    bool   `json:"set"` // the system's clock
	Source string `json:"source"`
}

// MQTTStatus is how the brokers are.
type MQTTStatus struct {
	Inside  string `json:"inside"` // address of the broker inside; empty if it does not listen
	Why     string `json:"why"`    // it does not
	Clients int    `json:"clients"`
	// Broker is another one, in the cab or elsewhere; empty if there is none.
	Broker    string `json:"broker"`
	Connected bool   `json:"connected"`
	Trouble   string `json:"trouble"` // why not
	Outbox    uint64 `json:"outbox"`  // messages that wait for it
	Lost      uint64 `json:"lost"`    // that were dropped, as too many waited
}

// PageStatus is how the page for the phone is.
type PageStatus struct {
	URL    string `json:"url"` // empty: there is to be none
	Why    string `json:"why"` // it is not served
	Phones int    `json:"phones"`
}

// AlertStatus is the newest alert of this run.
type AlertStatus struct {
	Text string  `json:"text"`
	AgoS float64 `json:"ago_s"`
}

// StartStatus is how this run began.
type StartStatus struct {
	Run   uint64 `json:"run"` // the number of the run; of chance if there was no store
	Known bool   `json:"known"`
	// Clean tells whether the run before was stopped in good order.
	Clean bool `json:"clean"`
}

const statusSchema = 1

// seen is what the core's goroutine knows for the status.
type seen struct {
	activity machine.Activity
	lasted   time.Duration
	date     store.Source
}

// lastAlert is the newest alert that was published, and when.
type lastAlert struct {
	text string
	at   time.Time
}

// noteAlert remembers an alert for the status before others are told of it.
func (d *Daemon) noteAlert(e *detect.Event) {
	if e.Phase == detect.Raised {
		d.alerted.Store(&lastAlert{e.Text, time.Now()})
	}
	if d.o.Told != nil {
		d.o.Told(e)
	}
}

// status gathers how the program is. It may be called from any goroutine.
func (d *Daemon) status() *Status {
	s := &Status{
		Schema: statusSchema, WrittenNS: Clock{}.Mono(), Version: d.o.Version, Machine: d.o.Config.Machine.Name,
		UptimeS: math.Floor(time.Since(d.began).Seconds()), PID: os.Getpid(),
		Activity: machine.Unknown.String(), Alerts: []string{},
		Start: StartStatus{Run: d.clock.Boot},
	}
	s.Bus = d.busStatus()
	d.fillSignals(s)
	if x := d.seen.Load(); x != nil {
		s.Activity, s.ActivityS = x.activity.String(), math.Floor(x.lasted.Seconds())
		s.Clock.Source = x.date.String()
	}
	_, s.Clock.Set = d.o.Source.Wall(d.o.Source.Stamp())
	d.fillStore(s)
	d.fillMQTT(s)
	if d.page != nil {
		h := d.page.Health()
		s.Page.URL, s.Page.Phones = d.page.URL(), h.Streams
		if h.Err != nil {
			s.Page.Why = h.Err.Error()
		}
	}
	for _, a := range d.board.Alerts() {
		s.Alerts = append(s.Alerts, a.Text)
	}
	if a := d.alerted.Load(); a != nil {
		s.LastAlert = &AlertStatus{a.text, math.Floor(time.Since(a.at).Seconds())}
	}
	s.judge(d.watch.still(), d.health())
	return s
}

func (d *Daemon) busStatus() BusStatus {
	bus := d.o.Source.Bus()
	b := BusStatus{
		Interface: d.o.Config.Bus.Interface, State: bus.State, FramesPerS: bus.FramesPerS, Dropped: bus.Dropped,
		ErrorFrames: bus.ErrorFrames, Mode: canbus.ModeUnknown.String(),
	}
	if load := math.Round(bus.LoadPct*10) / 10; !math.IsNaN(load) {
		b.LoadPct = &load
	}
	if live, ok := d.o.Source.(*Live); ok {
		if h, open := live.health(); open {
			b.Mode, b.Bitrate, b.Frames, b.Overruns = h.Mode.String(), h.Bitrate, h.Frames, uint64(h.Errors.RxOverflow)
		}
	}
	return b
}

// health is what the socket has met, if there is one.
func (l *Live) health() (h canbus.Health, open bool) {
	l.mu.Lock()
	socket := l.socket
	l.mu.Unlock()
	if socket == nil {
		return h, false
	}
	return socket.Health(), true
}

func (d *Daemon) fillSignals(s *Status) {
	s.Signals = SignalsStatus{Heard: []string{}, Silent: []string{}, Never: []string{}}
	for _, h := range d.board.Heard() {
		switch {
		case h.Value != nil:
			s.Signals.Heard = append(s.Signals.Heard, h.Name)
			if h.Name == signal.EngineSpeed.ID.Info().Name {
				rpm := math.Round(*h.Value)
				s.EngineRPM = &rpm
			}
		case h.AgeMS >= 0:
			s.Signals.Silent = append(s.Signals.Silent, h.Name)
		default:
			s.Signals.Never = append(s.Signals.Never, h.Name)
		}
	}
}

func (d *Daemon) fillStore(s *Status) {
	const mega = 1 << 20
	h := d.writer.Health()
	s.Store = StoreStatus{
		Recording: h.Err == nil && d.writer.Store() != nil, Path: d.o.Config.Store.Path,
		UsedMB: math.Round(float64(h.UsedBytes)/mega*10) / 10, MaxMB: float64(h.MaxBytes) / mega,
		Waiting: h.Waiting, Dropped: h.HistoryDropped, BadRecords: h.BadRecords,
		Damaged: h.Opening.Verdict == store.Damaged, SetAside: h.Opening.SetAside, Kept: h.Opening.Kept,
	}
	switch {
	case h.Err != nil:
		s.Store.Why = h.Err.Error()
	case !s.Store.Recording:
		s.Store.Why = "the store is being opened"
	}
	if kept := d.writer.Store(); kept != nil {
		s.Start.Known, s.Start.Clean = true, kept.WasClean()
	}
}

func (d *Daemon) fillMQTT(s *Status) {
	if d.broker != nil {
		h := d.broker.Health()
		s.MQTT.Inside, s.MQTT.Clients = h.Address, h.Clients
		if h.Address == "" && h.Err != nil {
			s.MQTT.Why = h.Err.Error()
		}
	}
	if d.uplink == nil {
		return
	}
	server := d.o.Config.MQTT.Uplink
	if d.broker == nil {
		server = d.o.Config.MQTT.Server
	}
	if u, err := url.Parse(server.Broker); err == nil {
		s.MQTT.Broker = u.Host // no user, no password
	}
	h := d.uplink.Health()
	s.MQTT.Connected = h.Connected
	switch {
	case h.Waiting != "":
		s.MQTT.Trouble = h.Waiting
	case h.Err != nil && !h.Connected:
		s.MQTT.Trouble = h.Err.Error()
	}
	stored := d.writer.Health()
	s.MQTT.Outbox, s.MQTT.Lost = stored.OutboxWaiting, stored.OutboxDropped
}

// How often the status is looked at, and written even if all is as it was. The
// file is in memory: it wears no card.
const (
	statusLook  = time.Second
	statusEvery = 2 * time.Second
)

// report keeps the status file and the manager's line up to date until ctx ends.
func (d *Daemon) report(ctx context.Context) {
	file := d.o.StatusFile
	if file == "" && d.o.Service.Socket == "" {
		return
	}
	if file != "" {
		defer os.Remove(file)
	}
	tick := time.NewTicker(statusLook)
	defer tick.Stop()
	var written time.Time
	var last, trouble string
	for {
		s := d.status()
		line := s.Line()
		d.notify.tell(line)
		if now := time.Now(); file != "" && (line != last || now.Sub(written) >= statusEvery-statusLook/2) {
			err := writeStatus(file, s)
			if err != nil && err.Error() != trouble {
				d.log.Warn("the status cannot be written", "error", err)
			}
			last, written, trouble = line, now, ""
			if err != nil {
				trouble = err.Error()
			}
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

// writeStatus replaces the file, for everybody to read. The folder is in memory,
// so that nothing has to be synced.
func writeStatus(path string, s *Status) error {
	text, err := json.Marshal(s)
	if err != nil {
		return err
	}
	half := path + ".new"
	err = os.WriteFile(half, append(text, '\n'), 0o644)
	if err == nil {
		err = errors.Join(os.Chmod(half, 0o644), os.Rename(half, path)) // whatever the umask
	}
	return err
}

// Stale is the age from which on a status says nothing any more.
const Stale = 10 * time.Second

// ReadStatus reads what a running program wrote down, and how long ago. The
// error is fs.ErrNotExist if no program runs that writes there.
func ReadStatus(path string) (s *Status, age time.Duration, err error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, 0, err
	}
	s = &Status{}
	if err := json.Unmarshal(text, s); err != nil {
		return nil, 0, fmt.Errorf("status: %s: %w", path, err)
	}
	if s.Schema != statusSchema {
		return nil, 0, fmt.Errorf("status: %s is of another version of chaffinch (schema %d): restart it", path, s.Schema)
	}
	return s, time.Duration(Clock{}.Mono() - s.WrittenNS), nil
}

// passing are the health items that go away by themselves, and cost nothing
// that cannot be had later.
func (s *Status) passing(item publish.Item) bool {
	return item.Name == "clock-unsure" || item.Name == "broker-away" && s.MQTT.Inside != ""
}
