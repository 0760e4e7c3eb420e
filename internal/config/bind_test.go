package config

import (
	"reflect"
	"strings"
	"testing"
	"time"
)

// What other packages may put into their tables.
type every struct {
	Wait     time.Duration     `toml:"wait"`
	Small    uint8             `toml:"small"`
	Signed   int8              `toml:"signed"`
	Ratio    float64           `toml:"ratio"`
	Optional *float64          `toml:"optional"`
	On       bool              `toml:"on"`
	Words    []string          `toml:"words"`
	Names    map[string]string `toml:"names"`
	Entries  []struct {
		Signal string  `toml:"signal"`
		ID     *uint32 `toml:"id"`
	} `toml:"entry"`
	Owner float64 `toml:"owner" zero:"unknown"`
	inner
}

type inner struct {
	Deep struct {
		Key string `toml:"key"`
	} `toml:"a-kind"`
}

func bindText(t *testing.T, text string, into *every) []string {
	t.Helper()
	doc, wrong := parse("x.toml", []byte(text))
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	b := newBinder(reflect.TypeFor[every](), doc)
	b.table("", doc.tree, reflect.ValueOf(into).Elem())
	var all []string
	for _, p := range b.wrong {
		all = append(all, strings.TrimPrefix(doc.at(p).Error(), "x.toml:"))
	}
	return all
}

func TestBindEveryKind(t *testing.T) {
	var got every
	if wrong := bindText(t, `
wait = "1m30s"
small = 0xFF
signed = -128
ratio = 2
optional = 0.0
on = true
words = ["a", "b"]
names = { NAME = "x" }
owner = 1.5
[a-kind]
key = "k"
[[entry]]
signal = "rotor_speed_rpm"
[[entry]]
id = 0x18FF1234
`, &got); len(wrong) > 0 {
		t.Fatal(wrong)
	}
	zero, id := 0.0, uint32(0x18FF1234)
	want := every{Wait: 90 * time.Second, Small: 255, Signed: -128, Ratio: 2, Optional: &zero, On: true,
		Words: []string{"a", "b"}, Names: map[string]string{"NAME": "x"}, Owner: 1.5}
	want.Deep.Key = "k"
	want.Entries = got.Entries
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
	if len(got.Entries) != 2 || got.Entries[0].Signal != "rotor_speed_rpm" || got.Entries[0].ID != nil || *got.Entries[1].ID != id {
		t.Errorf("entries: %+v", got.Entries)
	}
}

func TestBindSaysWhatDoesNotFit(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{`wait = 3`, "1: `wait = 3`: wait: wait is a time, and this is the number 3; write it with its unit in quotes"},
		{`wait = "3"`, "1: `wait = \"3\"`: wait: \"3\" is not a time; write it with"},
		{`wait = "-3s"`, "1: `wait = \"-3s\"`: wait: -3s is less than no time"},
		{`small = 256`, "1: `small = 256`: small: small is 256; the number is too large"},
		{`small = -1`, "1: `small = -1`: small: small is -1; it cannot be negative"},
		{`signed = -129`, "1: `signed = -129`: signed: signed is -129; the number is too large"},
		{`ratio = inf`, "1: `ratio = inf`: ratio: ratio is no finite number"},
		{`owner = 0`, "1: `owner = 0`: owner: owner is 0; give what it is, or remove"},
		{"words = [\n\"a\",\n7]", "3: `7]`: words.1: words is text, and this is the number 7"},
		{"[[entry]]\n[[entry]]\n\nsingal = \"x\"", "4: `singal = \"x\"`: entry.1.singal: there is no key \"singal\" in [[entry]]; did you mean \"signal\"?"},
		{"[entry]", "1: `[entry]`: entry: entry is a list, and this is a table; write [[entry]] with double brackets"},
		{"entry = [\n  { signal = \"x\" },\n  { id = \"y\" },\n]", "3: `{ id = \"y\" },`: entry.1.id: id is a number, and this is the text \"y\""},
		{"[a_kind]", "1: `[a_kind]`: a_kind: there is no table [a_kind]; did you mean \"a-kind\"?"},
	} {
		var into every
		got := bindText(t, c.text, &into)
		if len(got) != 1 || !strings.HasPrefix(got[0], c.want) {
			t.Errorf("%s:\ngot  %q\nwant %q", c.text, got, c.want)
		}
	}
}

// A line, wherever it stands, is found again.
func TestPositions(t *testing.T) {
	text := `top = 1

[a]
b.c = 2 # behind
"d.e" = [ 1,
  2, { f = 3,
       g = 4 } ]

[[a.list]]
x = 1
[a.list.under]
y = 2
[[a.list]]
x = 3
`
	want := map[string]int{
		"top": 1, "a": 3, "a.b": 4, "a.b.c": 4, "a.d.e": 5, "a.d.e.0": 5, "a.d.e.1": 6, "a.d.e.2.f": 6, "a.d.e.2.g": 7,
		"a.list": 9, "a.list.0": 9, "a.list.0.x": 10, "a.list.0.under": 11, "a.list.0.under.y": 12, "a.list.1": 13, "a.list.1.x": 14,
	}
	got, _ := positions([]byte(text))
	for path, line := range want {
		if got[path] != line {
			t.Errorf("%s: line %d, want %d", path, got[path], line)
		}
	}
}
