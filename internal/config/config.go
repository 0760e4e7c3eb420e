package config

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/decode"
	"chaffinch/canbus/signal"
	"chaffinch/configs"
	"chaffinch/detect"
	"chaffinch/detect/advise/knowledge"
	"chaffinch/detect/machine"
	"chaffinch/detect/shift"
	"chaffinch/internal/problem"
	"chaffinch/publish/mqtt"
	"chaffinch/publish/phone"
	"chaffinch/store"
)

// Config is everything that an owner can set.
type Config struct {
	Machine machine.Settings `toml:"machine"`
	Crop    machine.Crop     `toml:"crop"`
	Bus     canbus.Settings  `toml:"bus"`
	// Maps are the [[map]] tables: fields of messages that the owner knows.
	Maps []decode.MapEntry `toml:"map"`
	// DBC names signal databases that hold more of such maps.
	DBC decode.DBC `toml:"dbc"`
	// Prefer gives, by the name of a signal, its sources in order.
	Prefer      map[string][]string `toml:"prefer"`
	ProcessData ProcessData         `toml:"process_data"`
	Alarm       detect.Settings     `toml:"alarm"`
	MQTT        mqtt.Settings       `toml:"mqtt"`
	Phone       phone.Settings      `toml:"phone"`
	Store       store.Settings      `toml:"store"`
	Shift       shift.Settings      `toml:"shift"`
	Units       Units               `toml:"units"`
	// Advice is what is known of setting a combine, of files of their own.
	Advice *knowledge.Base

	cropFolder string // may hold profiles of crops beside those in the program
	fromDBC    []decode.MapEntry
	given      map[string]bool // dotted paths of what the file says
}

// ProcessData is the [process_data] table.
type ProcessData struct {
	// RotorElement is the number of the device element whose revolutions are
	// those of the threshing rotor (ISO 11783-10), for a machine that does not
	// describe itself.
	RotorElement *int64 `toml:"rotor_element"`
}

// Decode is what the configuration says of the meaning of messages.
func (c *Config) Decode() decode.Settings {
	maps := append(slices.Clone(c.Maps), c.fromDBC...)
	return decode.Settings{Maps: maps, Prefer: c.Prefer, RotorElement: c.ProcessData.RotorElement}
}

// validateDecode gives the problems of Decode the paths that they have in the file.
func (c *Config) validateDecode() []*problem.Problem {
	settings := c.Decode()
	all := settings.Validate()
	for _, p := range all {
		if rest, ok := strings.CutPrefix(p.Key, "map["); ok {
			p.Key = "map." + strings.Replace(rest, "]", "", 1)
		} else if p.Key == "rotor_element" {
			p.Key = "process_data.rotor_element"
		}
	}
	return all
}

// Units is the [units] table.
type Units struct {
	// System is signal.Metric or signal.US.
	System signal.System `toml:"system"`
	// TimeZone is the IANA name of the zone of times that people read, such as
	// "Europe/Prague"; empty is the computer's own.
	TimeZone string `toml:"time_zone"`
}

// Zone is the zone of times that people read.
func (u Units) Zone() *time.Location {
	if u.TimeZone == "" {
		return time.Local
	}
	zone, err := time.LoadLocation(u.TimeZone)
	if err != nil {
		return time.UTC // Validate has refused it
	}
	return zone
}

// Validate returns what cannot be.
func (u Units) Validate() []*problem.Problem {
	var all []*problem.Problem
	if u.System != signal.Metric && u.System != signal.US {
		all = append(all, &problem.Problem{Key: "units.system", What: fmt.Sprintf("there is no system of units %q", string(u.System)),
			Try: `give "metric" or "us"`})
	}
	if _, err := time.LoadLocation(u.TimeZone); err != nil {
		all = append(all, &problem.Problem{Key: "units.time_zone", What: fmt.Sprintf("there is no time zone %q", u.TimeZone),
			Try: `give a name such as "Europe/Prague" or "America/Chicago", or leave it out for the computer's own ("timedatectl list-timezones" lists the names)`})
	}
	return all
}

// defaultCrop is assumed when the owner names none.
const defaultCrop = "wheat"

// Default is the configuration of an empty file.
func Default() *Config {
	c, wrong := read("", nil, "")
	if len(wrong) > 0 {
		// The data within the program are wrong: a test holds them right.
		panic(errors.Join(asErrors(wrong)...))
	}
	c.Advice = DefaultAdvice()
	return c
}

// FromText reads a configuration that is in no file: crops and advice are those
// within the program. Otherwise it is as Load.
func FromText(text string) (*Config, []error) {
	c, wrong := read("the configuration", []byte(text), "")
	if len(wrong) > 0 {
		return nil, asErrors(wrong)
	}
	c.Advice = DefaultAdvice()
	return c, nil
}

// Load reads a configuration file. Profiles of crops may stand in the folder
// "crops" beside it, and advice in the folder "advice". It returns either a configuration that can be used or all
// the mistakes there are; each is a *Mistake or says why the file cannot be read.
func Load(path string) (*Config, []error) {
	text, err := readFile(path)
	if err != nil {
		return nil, []error{fmt.Errorf("config: %w", err)}
	}
	c, wrong := read(path, text, filepath.Join(filepath.Dir(path), "crops"))
	advice, wrongAdvice := LoadAdvice(path)
	if all := append(asErrors(wrong), wrongAdvice...); len(all) > 0 {
		return nil, all
	}
	c.Advice, c.cropFolder = advice, filepath.Join(filepath.Dir(path), "crops")
	return c, nil
}

// CropNamed is a crop that may be set while the program runs: the one of the
// configuration, with what that says of it, or else a profile. The error is a
// *problem.Problem or a *Mistake.
func (c *Config) CropNamed(name string) (machine.Crop, error) {
	if name == c.Crop.Name {
		return c.Crop, nil
	}
	profile, mistakes, missing := crop(name, c.cropFolder)
	switch {
	case missing != nil:
		missing.Key = "crop"
		return machine.Crop{}, missing
	case len(mistakes) > 0:
		return machine.Crop{}, errors.Join(asErrors(mistakes)...)
	}
	return profile, nil
}

// Crops are the names of the profiles that there are.
func (c *Config) Crops() []string { return configs.Crops(c.cropFolder) }

// readFile reads no more of a file than a configuration can have.
func readFile(path string) ([]byte, error) { return readBounded(path, maxBytes) }

// readBounded reads a file; of a larger one it gives more bytes than most.
func readBounded(path string, most int64) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is no file", path)
	}
	if info.Size() > most {
		return make([]byte, most+1), nil
	}
	return os.ReadFile(path)
}

func asErrors(wrong []*Mistake) []error {
	all := make([]error, len(wrong))
	for i, m := range wrong {
		all[i] = m
	}
	return all
}

// read makes a configuration of the text of a file.
func read(name string, text []byte, cropFolder string) (*Config, []*Mistake) {
	c := &Config{
		Machine: machine.DefaultSettings(),
		Bus:     canbus.DefaultSettings(),
		MQTT:    mqtt.DefaultSettings(),
		Phone:   phone.DefaultSettings(),
		Store:   store.DefaultSettings(),
		Shift:   shift.DefaultSettings(),
		Alarm:   detect.DefaultSettings(),
		Units:   Units{System: signal.Metric},
	}
	doc, wrong := parse(name, text)
	if doc == nil {
		return nil, wrong
	}
	cropName := defaultCrop
	if table, ok := doc.tree["crop"].(map[string]any); ok {
		if s, ok := table["name"].(string); ok {
			cropName = s
		}
	}
	profile, mistakes, missing := crop(cropName, cropFolder)
	wrong = append(wrong, mistakes...)
	c.Crop = profile

	b := newBinder(reflect.TypeFor[Config](), doc)
	b.table("", doc.tree, reflect.ValueOf(c).Elem())
	c.given = b.given
	if missing != nil && b.sound(missing.Key) {
		b.wrong = append(b.wrong, missing)
	}
	databases := c.loadDBC(filepath.Dir(name))
	if len(databases) > 0 {
		b.spoilt["prefer"] = true // it may name what would have come from them
	}
	for _, p := range append(databases, c.validate(len(mistakes) == 0 && missing == nil)...) {
		if b.sound(p.Key) {
			b.wrong = append(b.wrong, p)
		}
	}
	for _, p := range b.wrong {
		wrong = append(wrong, doc.at(p))
	}
	if len(wrong) > 0 {
		inOrder(wrong)
		return nil, wrong
	}
	return c, nil
}

func (c *Config) validate(withCrop bool) []*problem.Problem {
	var all []*problem.Problem
	all = append(all, c.Machine.Validate()...)
	if withCrop {
		all = append(all, c.Crop.Validate()...)
	}
	all = append(all, c.Bus.Validate()...)
	all = append(all, c.validateDecode()...)
	all = append(all, c.Alarm.Validate()...)
	all = append(all, c.MQTT.Validate()...)
	all = append(all, c.Phone.Validate()...)
	all = append(all, c.Store.Validate()...)
	all = append(all, c.Shift.Validate()...)
	return append(all, c.Units.Validate()...)
}

// crop reads a profile: mistakes are in its own file, missing is that there is
// none of that name.
func crop(name, folder string) (c machine.Crop, mistakes []*Mistake, missing *problem.Problem) {
	text, from, err := configs.Crop(folder, name)
	if errors.Is(err, fs.ErrNotExist) {
		known := configs.Crops(folder)
		return c, nil, &problem.Problem{Key: "crop.name", What: fmt.Sprintf("there is no crop %q", name),
			Try: "there are " + strings.Join(known, ", ") + problem.DidYouMean(name, known)}
	}
	if err != nil {
		return c, nil, &problem.Problem{Key: "crop.name", What: "its profile cannot be read", Err: err,
			Try: "make the file readable, or remove it to have the one within the program"}
	}
	doc, mistakes := parse(from, text)
	if doc == nil {
		return c, mistakes, nil
	}
	b := newBinder(reflect.TypeFor[machine.Crop](), doc)
	if _, named := doc.tree["name"]; named {
		b.add("name", "a profile has no name inside", "remove the line: the name of the file is the name of the crop")
		delete(doc.tree, "name")
	}
	b.table("", doc.tree, reflect.ValueOf(&c).Elem())
	complete := true
	for _, f := range fieldsOf(reflect.TypeFor[machine.Crop]()) {
		if f.name == "name" || b.given[f.name] {
			continue
		}
		complete = false
		if b.sound(f.name) {
			b.add(f.name, f.name+" is missing", "a profile must be complete: to change single values, write them in [crop] of chaffinch.toml")
		}
	}
	if complete && len(b.wrong) == 0 {
		for _, p := range c.Validate() {
			p.Key = strings.TrimPrefix(p.Key, "crop.")
			b.wrong = append(b.wrong, p)
		}
	}
	for _, p := range b.wrong {
		mistakes = append(mistakes, doc.at(p))
	}
	c.Name = name
	return c, mistakes, nil
}

// Given tells whether the file says something of a dotted path, such as
// "machine.mass_t".
func (c *Config) Given(path string) bool { return c.given[path] }
