package daemon

import (
	"context"
	"time"

	"chaffinch/publish"
	"chaffinch/publish/mqtt"
	"chaffinch/store"
)

func (d *Daemon) makeWriter() {
	settings := d.o.Config.Store
	options := settings.Options()
	options.Wall = Clock{}.Wall
	d.writer = store.NewWriter(store.WriterOptions{
		Tick: d.o.storeTick,
		Open: func(ctx context.Context) (*store.Store, store.Report, error) {
			d.opening.Store(Clock{}.Mono())
			defer d.opening.Store(0)
			return store.OpenChecked(ctx, settings.Path, d.o.SelfExe, options)
		},
		Opened: func(s *store.Store, r store.Report) {
			if d.left.Load() == nil {
				d.left.Store(readLeft(s))
			}
			d.log.Info("store open", "path", settings.Path, "boot", s.Boot(), "check", r.Verdict, "took", r.Took)
			if r.Verdict == store.Damaged {
				d.log.Error("store was damaged", "detail", r.Detail, "set_aside", r.SetAside, "records_kept", r.Kept)
			}
			boot := uint64(s.Boot())
			if r.Verdict == store.Damaged && !r.Salvaged {
				boot = 0 // a new file counts from 1 again
			}
			select {
			case d.opened <- boot:
			default: // opened again in the middle of a run
			}
		},
		Committed: func(records []store.Record) {
			d.tell.committed(records)
			d.outbox.touch()
		},
	})
}

// officeLiveEvery is how often live values go to a broker elsewhere: second by
// second they would be a hundred megabytes in a day.
const officeLiveEvery = time.Minute

func (d *Daemon) makePublishers(topics publish.Topics) {
	settings := d.o.Config.MQTT
	server, liveEvery := settings.Uplink, officeLiveEvery
	if settings.Broker != "" {
		server, liveEvery = settings.Server, publish.LiveEvery
	} else {
		d.broker = mqtt.NewBroker(mqtt.BrokerOptions{
			Listen: settings.Listen, Credentials: d.credentials(), Topics: topics,
			Retained: d.retained, Submit: d.Submit, Log: d.log,
		})
	}
	if server.Broker != "" {
		d.uplink = mqtt.NewUplink(mqtt.UplinkOptions{
			Server: server, Board: d.board, Outbox: d.outbox, Log: d.log, LiveEvery: liveEvery,
			ClockSet: func() bool { _, trusted := Clock{}.Wall(); return trusted },
		})
	}
}

// credentialsFile holds the names and hashed passwords of the devices that may
// use the broker inside. It is not there until a device has been added.
const credentialsFile = "devices"

func (d *Daemon) credentials() []mqtt.Credential {
	all, err := Devices(d.o.Config)
	if err != nil {
		d.log.Error("no device can log in", "file", d.o.Config.Store.Beside(credentialsFile), "error", err)
		return nil
	}
	return all
}

// retained is what the broker inside must hold when it starts.
func (d *Daemon) retained() []publish.Message {
	all := d.board.Retained()
	if live, ok := d.board.NewestLive(); ok {
		all = append(all, live)
	}
	return all
}

// health lists what is not well with the program itself.
func (d *Daemon) health() []publish.Item {
	var items []publish.Item
	add := func(name, text string) { items = append(items, publish.Item{Name: name, Text: text}) }
	if text := d.o.Source.Trouble(); text != "" {
		add("bus-away", text)
	}
	if err := d.writer.Health().Err; err != nil {
		add("not-recording", "not recording: "+err.Error())
	}
	if !d.dates() {
		add("clock-unsure", "the clock is not set: dates are missing")
	}
	if d.broker != nil {
		if h := d.broker.Health(); h.Address == "" {
			text := "the broker does not listen"
			if h.Err != nil {
				text += ": " + h.Err.Error()
			}
			add("broker-away", text)
		}
	}
	if d.uplink != nil {
		if h := d.uplink.Health(); !h.Connected {
			add("broker-away", "the broker elsewhere cannot be reached")
		}
	}
	if d.page != nil {
		if h := d.page.Health(); h.Err != nil {
			add("page-away", "the page is not served: "+h.Err.Error())
		}
	}
	return items
}

// dates tells whether there are any: from the computer's clock, or as heard on the
// bus.
func (d *Daemon) dates() bool {
	if _, trusted := d.o.Source.Wall(d.o.Source.Stamp()); trusted {
		return true
	}
	x := d.seen.Load()
	return x != nil && heardDate(x.date)
}
