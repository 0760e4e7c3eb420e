package config

import (
	"fmt"
	"net"
	"net/url"
	"os"
	"reflect"

	"chaffinch/publish/mqtt"
)

// Note is something that is no mistake but worth knowing.
type Note struct {
	Key   string // dotted path
	What  string // how it stands
	Costs string // what it means for the work
}

// String is the note in one line.
func (n Note) String() string { return n.Key + ": " + n.What + ": " + n.Costs }

// Notes tells what is missing in a configuration or assumed for it, and what
// that costs, in the order of the file. It looks at no file or network.
func (c *Config) Notes() []Note {
	var all []Note
	add := func(when bool, key, what, costs string) {
		if when {
			all = append(all, Note{key, what, costs})
		}
	}
	m := &c.Machine
	add(!c.Given("machine.name"), "machine.name", fmt.Sprintf("not given, %q is used", m.Name),
		"two machines of one name cannot be told apart")
	add(m.CutWidth == 0, "machine.cut_width_m", "not known",
		"no area, and no feed rate from speed and width unless the bus tells the width")
	add(m.RatedPowerKW == 0, "machine.rated_power_kw", "not known",
		"no feed rate from engine power unless the engine tells its reference torque")
	add(m.CutWidth == 0 && m.RatedPowerKW == 0, "machine", "neither width nor power is known",
		"without a grain flow sensor on the bus there is no feed rate, and none of the alarms that need it")
	add(m.RotorDiameter == 0, "machine.rotor_diameter_m", "not known", "the speed of the threshing bars is not shown in m/s")
	add(!c.Given("machine.mass_t"), "machine.mass_t", fmt.Sprintf("not given, %g t is assumed", m.MassT),
		"feed rate from engine power is less sure, above all uphill: 8 t of error are about 12 kW on level ground, or 3 t/h of straw")
	add(!c.Given("machine.seat_adjustable"), "machine.seat_adjustable", "not given, the usual levers are assumed",
		"advice leaves out concave and sieves that could be moved from the seat")
	add(!c.Given("crop.name"), "crop.name", fmt.Sprintf("not given, %s is assumed", c.Crop.Name),
		"in another crop feed rate and loss counts are wrong until it is set")
	add(c.Bus.AllowNormalMode, "bus.allow_normal_mode", "true",
		"an interface that is not listen-only acknowledges frames and can disturb the bus when it is faulty")
	all = append(all, c.alarmNotes()...)
	return append(all, c.netNotes()...)
}

// alarmNotes tells which kinds of alarm are switched off.
func (c *Config) alarmNotes() []Note {
	var all []Note
	alarms := reflect.ValueOf(c.Alarm)
	for _, kind := range fieldsOf(alarms.Type()) {
		enabled := alarms.FieldByIndex(kind.index).FieldByName("Enabled")
		if enabled.IsValid() && !enabled.Bool() {
			all = append(all, Note{"alarm." + kind.name, "switched off", "nobody is warned of it"})
		}
	}
	return all
}

func (c *Config) netNotes() []Note {
	var all []Note
	if c.MQTT.Broker == "" && !loopback(c.MQTT.Listen) {
		all = append(all, Note{"mqtt.listen", c.MQTT.Listen + " is open to the network", "messages there are not encrypted: only on a network of your own"})
	}
	for _, s := range []struct {
		table  string
		server mqtt.Server
	}{{"mqtt", c.MQTT.Server}, {"mqtt.uplink", c.MQTT.Uplink}} {
		u, err := url.Parse(s.server.Broker)
		if s.server.Broker == "" || err != nil {
			continue
		}
		if u.Scheme == "mqtt" && !loopback(net.JoinHostPort(u.Hostname(), "0")) {
			all = append(all, Note{s.table + ".broker", "mqtt:// is not encrypted", "position, working times and the password can be read on the way: mqtts:// hides them"})
		}
	}
	if c.MQTT.Uplink.Broker == "" {
		all = append(all, Note{"mqtt.uplink.broker", "none", "nothing leaves the machine: events and reports are on it only"})
	}
	if c.Phone.Listen == "" {
		all = append(all, Note{"phone.listen", "no page", "alerts and prompts reach nobody but MQTT clients"})
	} else if !c.Phone.Encrypted() && !loopback(c.Phone.Listen) {
		all = append(all, Note{"phone.tls", "none, and " + c.Phone.Listen + " is open to the network",
			"what phones see and send can be read there: only on a network of the cab's own"})
	}
	return all
}

func loopback(address string) bool {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return false
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// fileNotes tells which files that the configuration names are not there for
// whoever asks. They may be on the machine's own computer.
func (c *Config) fileNotes() []Note {
	var all []Note
	const broker, page = "without it the broker cannot be reached", "without it there is no page"
	for _, f := range []struct{ key, path, costs string }{
		{"mqtt.password_file", c.MQTT.PasswordFile, broker}, {"mqtt.ca_file", c.MQTT.CAFile, broker},
		{"mqtt.uplink.password_file", c.MQTT.Uplink.PasswordFile, broker}, {"mqtt.uplink.ca_file", c.MQTT.Uplink.CAFile, broker},
		{"phone.cert_file", c.Phone.CertFile, page}, {"phone.key_file", c.Phone.KeyFile, page},
	} {
		if f.path == "" {
			continue
		}
		file, err := os.Open(f.path)
		if err != nil {
			all = append(all, Note{f.key, err.Error(), f.costs})
			continue
		}
		file.Close()
	}
	return all
}
