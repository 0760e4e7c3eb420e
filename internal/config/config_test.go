package config

import (
	"bytes"
	"errors"
	"flag"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"chaffinch/canbus/decode"
	"chaffinch/canbus/signal"
	"chaffinch/configs"
	"chaffinch/detect/machine"
)

var update = flag.Bool("update", false, "rewrite the .want files: read the difference before it is kept")

const examples = "../../testdata/config"

// Each bad file holds a mistake that people make; the .want file beside it holds
// every message it must give, one a line.
func TestBadFiles(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(examples, "*.bad.toml"))
	if err != nil || len(files) < 25 {
		t.Fatalf("%d bad files, %v", len(files), err)
	}
	for _, file := range files {
		name := strings.TrimSuffix(filepath.Base(file), ".bad.toml")
		t.Run(name, func(t *testing.T) {
			c, wrong := Load(file)
			if c != nil || len(wrong) == 0 {
				t.Fatalf("it was taken for good")
			}
			var got strings.Builder
			for _, err := range wrong {
				var m *Mistake
				if !errors.As(err, &m) || m.Try == "" || m.What == "" {
					t.Errorf("no mistake with a remedy: %v", err)
				}
				got.WriteString(strings.ReplaceAll(err.Error(), examples+"/", "") + "\n")
			}
			if strings.Contains(got.String(), "canary") {
				t.Errorf("a message repeats a secret: %s", got.String())
			}
			wantFile := strings.TrimSuffix(file, ".bad.toml") + ".want"
			if *update {
				if err := os.WriteFile(wantFile, []byte(got.String()), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(wantFile)
			if err != nil {
				t.Fatal(err)
			}
			if got.String() != string(want) {
				t.Errorf("got\n%swant\n%s", got.String(), want)
			}
		})
	}
}

func TestGoodFiles(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(examples, "*.good.toml"))
	if err != nil || len(files) == 0 {
		t.Fatal("no good files", err)
	}
	for _, file := range files {
		if _, wrong := Load(file); len(wrong) > 0 {
			t.Errorf("%v", wrong)
		}
	}
}

func load(t *testing.T, name string) *Config {
	t.Helper()
	c, wrong := Load(filepath.Join(examples, name))
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	return c
}

func TestWhatTheOwnerWroteIsWhatIsSet(t *testing.T) {
	c := load(t, "owner.good.toml")
	want := Default()
	want.given, want.cropFolder = c.given, c.cropFolder
	min, max, fast := 500.0, 1000.0, 7.0
	want.Machine = machine.Settings{
		Name: "north-1", CutWidth: 9, RatedPowerKW: 280, RotorDiameter: 0.762, MassT: 19.5, Header: "flex",
		Limits:         map[string]machine.Limit{"rotor_speed_rpm": {Min: &min, Max: &max}, "ground_speed_kmh": {Max: &fast}},
		SeatAdjustable: []string{"ground_speed", "rotor_speed", "concave", "fan_speed", "upper_sieve", "lower_sieve", "cut_height"},
	}
	want.Crop, _, _ = crop("soybean", "")
	want.Crop.ThousandKernelG = 172.5
	want.MQTT.Uplink.Broker = "mqtts://broker.farm.example"
	want.MQTT.Uplink.Username = "combine"
	want.MQTT.Uplink.PasswordFile = "/etc/chaffinch/uplink-password"
	want.Units.System = signal.US
	want.Units.TimeZone = "America/Chicago"
	if !reflect.DeepEqual(c, want) {
		t.Errorf("got  %+v\nwant %+v", c, want)
	}
}

func TestMapsReachTheDecoder(t *testing.T) {
	got := load(t, "maps.good.toml").Decode()
	if len(got.Maps) != 2 || *got.Maps[0].PGN != 0xFF15 || *got.Maps[1].ID != 0x0CFF2A21 || got.Maps[1].When.Equals != 4 ||
		len(got.Prefer["ground_speed_kmh"]) != 2 || *got.RotorElement != 5 {
		t.Errorf("%+v", got)
	}
}

// A profile on the disk adds a crop, and wins over the one within of its name;
// [crop] wins over both.
func TestProfileOnTheDisk(t *testing.T) {
	c := load(t, "own-crop.good.toml")
	if c.Crop.Name != "spelt" || c.Crop.ThousandKernelG != 48 || c.Crop.LossTarget != 2 {
		t.Errorf("spelt: %+v", c.Crop)
	}
	folder := t.TempDir()
	if err := os.Mkdir(filepath.Join(folder, "crops"), 0o755); err != nil {
		t.Fatal(err)
	}
	text, _, err := configs.Crop("", "wheat")
	if err != nil {
		t.Fatal(err)
	}
	text = bytes.Replace(text, []byte("thousand_kernel_g = 35"), []byte("thousand_kernel_g = 41"), 1)
	write(t, filepath.Join(folder, "crops", "wheat.toml"), string(text))
	file := filepath.Join(folder, "chaffinch.toml")
	write(t, file, "")
	c, wrong := Load(file)
	if len(wrong) > 0 || c.Crop.ThousandKernelG != 41 {
		t.Errorf("wheat: %v %+v", wrong, c)
	}
	if Default().Crop.ThousandKernelG != 35 {
		t.Error("the profile within changed")
	}
}

func write(t *testing.T, file, text string) {
	t.Helper()
	if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

var (
	commentedDefault = regexp.MustCompile(`(?m)^#([a-z\[])`)
	commentedExample = regexp.MustCompile(`(?m)^##([a-z\[])`)
)

// The file that owners read says what the program does.
func TestDefaultFileEqualsDefaultsInCode(t *testing.T) {
	full := commentedDefault.ReplaceAll(configs.Default(), []byte("$1"))
	for name, text := range map[string][]byte{"as it is": configs.Default(), "all defaults uncommented": full} {
		c, wrong := read("chaffinch.toml", text, "")
		if len(wrong) > 0 {
			t.Fatalf("%s: %v", name, wrong)
		}
		want := Default()
		want.given, want.Advice = c.given, nil // of files of its own
		if !reflect.DeepEqual(c, want) {
			t.Errorf("%s:\ngot  %+v\nwant %+v", name, c, want)
		}
	}
	c, _ := read("chaffinch.toml", full, "")
	everything := commentedExample.ReplaceAll(full, []byte("$1"))
	everything = bytes.Replace(everything, []byte(`"machine.dbc"`), []byte(`"../../testdata/dbc/machine.dbc"`), 1)
	all, wrong := read("chaffinch.toml", everything, "")
	if len(wrong) > 0 {
		t.Fatalf("with the examples: %v", wrong)
	}
	for _, path := range leaves(reflect.TypeFor[Config](), "") {
		if !all.Given(path) {
			t.Errorf("%s does not stand in the default file", path)
		}
	}
	for _, f := range fieldsOf(reflect.TypeFor[decode.MapEntry]()) {
		if !bytes.Contains(everything, []byte("\n"+f.name+" = ")) {
			t.Errorf("%s of [[map]] does not stand in the default file", f.name)
		}
	}
	if len(all.given) <= len(c.given) {
		t.Error("no examples were uncommented")
	}
}

// leaves lists the paths of all that can be set. It fails on a type that the
// binder cannot set.
func leaves(t reflect.Type, path string) []string {
	var all []string
	for _, f := range fieldsOf(t) {
		ft := t.FieldByIndex(f.index).Type
		if ft.Kind() == reflect.Struct {
			all = append(all, leaves(ft, join(path, f.name))...)
			continue
		}
		all = append(all, join(path, f.name))
	}
	return all
}

// Every table that is checked on its own is checked by Load.
func TestEveryTableIsChecked(t *testing.T) {
	for table, text := range map[string]string{
		"machine": "header = \"x\"", "crop": "mog_ratio = 99", "bus": "bitrate = 1", "mqtt": "listen = \"x\"",
		"alarm": "engine-hot.coolant_c = 1", "prefer": "warp_speed = []", "process_data": "rotor_element = -1",
		"dbc": "signals = { X = \"rotor_speed_rpm\" }", "phone": "listen = \"x\"", "store": "max_mb = 1", "shift": "end_after_min = 1", "units": "system = \"x\"",
	} {
		if _, wrong := read("x.toml", []byte("["+table+"]\n"+text), ""); len(wrong) != 1 || !strings.HasPrefix(wrong[0].Key, table+".") || wrong[0].Line != 2 {
			t.Errorf("[%s]: %v", table, wrong)
		}
	}
	if _, wrong := read("x.toml", []byte("[[map]]\nsignal = \"fan_speed_rpm\"\npgn = 65301\nstart_bit = 0\nlength = 65"), ""); len(wrong) != 1 || wrong[0].Line != 5 {
		t.Errorf("[[map]]: %v", wrong)
	}
	if tables := fieldsOf(reflect.TypeFor[Config]()); len(tables) != 13 {
		t.Errorf("%d tables: add the new one above", len(tables))
	}
}

func TestFilesThatCannotBeRead(t *testing.T) {
	big := filepath.Join(t.TempDir(), "big.toml")
	write(t, big, strings.Repeat("# long\n", maxBytes/7+1))
	for _, file := range []string{"", t.TempDir(), "/nowhere/chaffinch.toml", big} {
		if c, wrong := Load(file); c != nil || len(wrong) != 1 {
			t.Errorf("%q: %v", file, wrong)
		}
	}
}

func TestNotes(t *testing.T) {
	has := func(c *Config, key string) bool {
		for _, n := range c.Notes() {
			if n.Key == key && n.What != "" && n.Costs != "" {
				return true
			}
		}
		return false
	}
	empty, owner := load(t, "empty.good.toml"), load(t, "owner.good.toml")
	for _, key := range []string{"machine.cut_width_m", "machine.rated_power_kw", "machine.rotor_diameter_m", "machine", "crop.name"} {
		if !has(empty, key) {
			t.Errorf("an empty file: nothing is said of %s", key)
		}
		if has(owner, key) {
			t.Errorf("a full file: %s is complained of", key)
		}
	}
	open, wrong := read("x.toml", []byte("[mqtt]\nlisten = \":1883\"\nuplink.broker = \"mqtt://broker.farm.example\"\n[bus]\nallow_normal_mode = true"), "")
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	for _, key := range []string{"mqtt.listen", "mqtt.uplink.broker", "bus.allow_normal_mode"} {
		if !has(open, key) {
			t.Errorf("an open machine: nothing is said of %s", key)
		}
	}
	if off := load(t, "maps.good.toml"); !has(off, "alarm.fault-code") || has(off, "alarm.engine-hot") {
		t.Error("the alarm that is switched off, and no other, must be told")
	}
	if has(owner, "mqtt.uplink.broker") {
		t.Error("an encrypted uplink is complained of")
	}
}

func TestCheck(t *testing.T) {
	var out bytes.Buffer
	if err := Check(filepath.Join(examples, "owner.good.toml"), &out); err != nil {
		t.Error(err)
	}
	if !strings.Contains(out.String(), "owner.good.toml: configuration is good\n") || !strings.Contains(out.String(), "mqtt.uplink.password_file") {
		t.Errorf("good file:\n%s", out.String())
	}
	out.Reset()
	if err := Check(filepath.Join(examples, "many-at-once.bad.toml"), &out); !errors.Is(err, ErrMistakes) {
		t.Error(err)
	}
	if !strings.Contains(out.String(), "   4 | cut_width_m = 9,14\n       > write a decimal point: 9.14\n") || !strings.Contains(out.String(), "9 mistakes\n") {
		t.Errorf("bad file:\n%s", out.String())
	}
	if err := Check(filepath.Join(examples, "owner.good.toml"), full{}); err == nil {
		t.Error("a writer that cannot write was not noticed")
	}
}

type full struct{}

func (full) Write([]byte) (int, error) { return 0, errors.New("disk full") }
