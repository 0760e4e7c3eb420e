package contract

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/pb33f/go-yaml"
	"github.com/pb33f/jsonschema/v6"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/machine"
	"chaffinch/publish"
)

// The published JSON Schema of AsyncAPI 3.0.0 (npm package @asyncapi/specs
// 6.11.1, schemas/3.0.0-without-$id.json, Apache-2.0), unchanged but for gzip.
func TestTheDocumentIsAsyncAPI(t *testing.T) {
	file, err := os.Open("testdata/asyncapi-3.0.0.json.gz")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	plain, err := gzip.NewReader(file)
	if err != nil {
		t.Fatal(err)
	}
	official, err := jsonschema.UnmarshalJSON(plain)
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("asyncapi:///3.0.0.json", official); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("asyncapi:///3.0.0.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Validate(document(t)); err != nil {
		t.Error(err)
	}
	broken := document(t).(map[string]any)
	delete(broken["channels"].(map[string]any)["live"].(map[string]any), "address")
	broken["operations"].(map[string]any)["live"].(map[string]any)["action"] = "shout"
	if s.Validate(broken) == nil {
		t.Error("a document with an action that does not exist is taken")
	}
}

// document is the AsyncAPI document as values of JSON.
func document(t *testing.T) any {
	t.Helper()
	var v any
	if err := yaml.Unmarshal(Document(), &v); err != nil {
		t.Fatal(err)
	}
	text, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	out, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// Every reference of the document leads somewhere, and every schema is used.
func TestReferencesLeadSomewhere(t *testing.T) {
	root := document(t)
	used := map[string]bool{}
	var walk func(v any)
	walk = func(v any) {
		switch v := v.(type) {
		case []any:
			for _, e := range v {
				walk(e)
			}
		case map[string]any:
			for k, e := range v {
				target, isText := e.(string)
				if k != "$ref" || !isText {
					walk(e)
					continue
				}
				if file, ok := strings.CutPrefix(target, "schemas/"); ok {
					used[strings.TrimSuffix(file, ".json")] = true
					continue
				}
				at := root
				for _, step := range strings.Split(strings.TrimPrefix(target, "#/"), "/") {
					m, _ := at.(map[string]any)
					at = m[step]
				}
				if at == nil {
					t.Errorf("%s leads nowhere", target)
				}
			}
		}
	}
	walk(root)
	for _, name := range Schemas() {
		if !used[name] {
			t.Errorf("schema %s stands in no message", name)
		}
		delete(used, name)
	}
	for name := range used {
		t.Errorf("there is no schema %s", name)
	}
}

// The channels are the topics that the program has, no more and no less.
func TestChannelsAreTheTopics(t *testing.T) {
	own := publish.NewTopics("w")
	want := []string{own.Availability(), own.Live(), own.Alert("{kind}", ""), own.Alert("{kind}", "{subject}"), own.Event(), own.Prompt(), own.Verdict(), own.Check(), own.Note(), own.Shift()}
	for _, in := range []string{publish.InputAcknowledge, publish.InputAnswer, publish.InputCheck, publish.InputSetup} {
		want = append(want, own.Inputs()+in)
	}
	var got []string
	for _, channel := range document(t).(map[string]any)["channels"].(map[string]any) {
		address := channel.(map[string]any)["address"].(string)
		address = strings.ReplaceAll(address, "{machine}", "w")
		// Topics are made of words: a brace cannot come through.
		got = append(got, strings.NewReplacer("{", "", "}", "").Replace(address))
	}
	slices.Sort(want)
	slices.Sort(got)
	if !slices.Equal(got, want) {
		t.Errorf("channels %v\nwant %v", got, want)
	}
}

// The lists of words in the schemas are those of the program.
func TestWordsAreThoseOfTheProgram(t *testing.T) {
	text, err := Schema("common")
	if err != nil {
		t.Fatal(err)
	}
	var common struct {
		Defs map[string]struct{ Enum []string } `json:"$defs"`
	}
	if err := json.Unmarshal(text, &common); err != nil {
		t.Fatal(err)
	}
	words := map[string][]string{}
	for _, k := range detect.Kinds() {
		words["kind"] = append(words["kind"], k.Name)
	}
	for p := detect.Low; p <= detect.High; p++ {
		words["priority"] = append(words["priority"], p.String())
	}
	for a := machine.Unknown; a.String() != "invalid"; a++ {
		words["activity"] = append(words["activity"], a.String())
	}
	for id := range signal.ID(signal.Count) {
		words["signal"] = append(words["signal"], id.String())
	}
	for name, want := range words {
		if got := common.Defs[name].Enum; !slices.Equal(got, want) {
			t.Errorf("%s: %v\nwant %v", name, got, want)
		}
	}
}

// example is a payload that the program makes, from the golden files of publish.
type example struct{ file, schema string }

var examples = []example{
	{"message-raised", "event"}, {"message-acknowledged", "event"}, {"message-ended-clock-unset", "event"}, {"message-gap", "gap"}, {"live", "live"},
	{"advice-prompt-opened", "prompt"}, {"advice-prompt-closed", "prompt"}, {"advice-clock-unset", "prompt"},
	{"advice-verdict", "verdict"}, {"advice-verdict-own", "verdict"}, {"advice-check-asked", "check"}, {"advice-check-told", "check"},
	{"advice-note-setting", "note"}, {"advice-note-targets", "note"}, {"advice-note-nothing-more", "note"},
}

func TestEveryGoldenPayloadHasASchema(t *testing.T) {
	entries, err := os.ReadDir("../testdata")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		name, isJSON := strings.CutSuffix(e.Name(), ".json")
		bare := strings.HasPrefix(name, "event-") // the object alone, as replay prints it; it is part of the messages
		if isJSON && !bare && !slices.ContainsFunc(examples, func(x example) bool { return x.file == name }) {
			t.Errorf("%s is held to no schema", e.Name())
		}
	}
}

// Each payload is taken as it is, and refused with any one of its keys left out,
// one more, or a value of another type: a schema that takes everything finds nothing.
func TestPayloadsAreTakenAndSpoiltOnesRefused(t *testing.T) {
	for _, x := range examples {
		t.Run(x.file, func(t *testing.T) {
			payload, err := os.ReadFile("../testdata/" + x.file + ".json")
			if err != nil {
				t.Fatal(err)
			}
			if err := Check(x.schema, payload); err != nil {
				t.Fatal(err)
			}
			spoilt := 0
			spoil(t, payload, func(what string, changed []byte) {
				spoilt++
				if Check(x.schema, changed) == nil {
					t.Errorf("taken: %s", what)
				}
			})
			if spoilt < 10 {
				t.Errorf("only %d ways to spoil it were tried", spoilt)
			}
		})
	}
}

// spoil gives what becomes of a payload by one change, at any depth. Objects
// whose keys are data, not names of ours, lose nothing that would be missed.
func spoil(t *testing.T, payload []byte, each func(what string, changed []byte)) {
	t.Helper()
	free := []string{"signals", "evidence"}
	var count func(v any, path string) []string
	count = func(v any, path string) (places []string) {
		switch v := v.(type) {
		case map[string]any:
			places = append(places, path)
			for k, e := range v {
				places = append(places, count(e, path+"/"+k)...)
			}
		case []any:
			for i, e := range v {
				places = append(places, count(e, fmt.Sprintf("%s/%d", path, i))...)
			}
		}
		return places
	}
	fresh := func() any {
		var v any
		if err := json.Unmarshal(payload, &v); err != nil {
			t.Fatal(err)
		}
		return v
	}
	at := func(root any, path string) map[string]any {
		v := root
		for _, step := range strings.Split(path, "/")[1:] {
			switch in := v.(type) {
			case map[string]any:
				v = in[step]
			case []any:
				var i int
				fmt.Sscan(step, &i)
				v = in[i]
			}
		}
		return v.(map[string]any)
	}
	give := func(what string, root any) {
		text, err := json.Marshal(root)
		if err != nil {
			t.Fatal(err)
		}
		each(what, text)
	}
	for _, path := range count(fresh(), "") {
		last := path[strings.LastIndex(path, "/")+1:]
		isFree := slices.Contains(free, last)
		for key := range at(fresh(), path) {
			if !isFree && key != "acknowledged" { // which only stands there when it is so
				root := fresh()
				delete(at(root, path), key)
				give(path+" without "+key, root)
			}
			root := fresh()
			at(root, path)[key] = []any{[]any{}}
			give(path+"/"+key+" as a list of lists", root)
		}
		if last != "evidence" {
			root := fresh()
			at(root, path)["never_heard_of"] = 1
			give(path+" with one key more", root)
		}
	}
}

// inputs are what may come from outside, good and bad.
var inputs = []struct {
	name, body string
	good       bool
}{
	{"acknowledge", `{"event":"e7-42"}`, true},
	{"acknowledge", `{"event":"p7-42"}`, false},
	{"acknowledge", `{}`, false},
	{"acknowledge", `{"event":"e7-42","more":1}`, false},
	{"answer", `{"prompt":"p7-3","reply":"done"}`, true},
	{"answer", `{"prompt":"p7-3","reply":"done","to":850}`, true},
	{"answer", `{"prompt":"p7-3","reply":"maybe"}`, false},
	{"answer", `{"prompt":"p7-3"}`, false},
	{"answer", `{"prompt":"p7-3","reply":"done","to":"850"}`, false},
	{"check", `{"tank":{"broken":"some"}}`, true},
	{"check", `{"tank":{"broken":"lots"}}`, false},
	{"check", `{"tank":{}}`, false},
	{"check", `{}`, false},
	{"check", `{"returns":{"mostly":"heads"},"sees":[{"condition":"straw-damp","is":true}]}`, true},
	{"check", `{"sees":[{"condition":"rain","is":true}]}`, false},
	{"check", `{"ground":{"places":[{"where":"behind","kernels":180,"area_m2":0.5}],"yield_t_ha":7}}`, true},
	{"check", `{"ground":{"places":[]}}`, false},
	{"check", `{"ground":{"places":[{"where":"roof","kernels":180,"area_m2":0.5}]}}`, false},
	{"setup", `{"crop":"wheat","limits":{"rotor_speed_rpm":{"max":1000}}}`, true},
	{"setup", `{"targets":{"separation-loss":20}}`, true},
	{"setup", `{"targets":{"separation-loss":0}}`, false},
	{"setup", `{"targets":{"hunger":20}}`, false},
	{"setup", `{}`, false},
	{"setup", `{"field":"` + strings.Repeat("x", 61) + `"}`, false},
}

// What the program takes from outside fits the schema of the input, and what the
// schema refuses the program refuses too. The program refuses more: it knows the
// machine.
func TestInputsAreTakenAlike(t *testing.T) {
	for _, x := range inputs {
		_, err := publish.ParseInput(x.name, []byte(x.body))
		if (err == nil) != x.good {
			t.Errorf("do/%s %s: the program says %v", x.name, x.body, err)
		}
		if err := Check("do-"+x.name, []byte(x.body)); (err == nil) != x.good {
			t.Errorf("do/%s %s: the schema says %v", x.name, x.body, err)
		}
	}
}

func TestSchemaOfATopic(t *testing.T) {
	for topic, want := range map[string]string{
		"availability": "", "live": "live", "alert/feed-drop": "event", "alert/signal-silent/rotor-speed-rpm": "event", "event": "event",
		"prompt": "prompt", "verdict": "verdict", "check": "check", "note": "note", "shift": "shift", "do/answer": "do-answer",
	} {
		if got := Of(topic, []byte(`{"phase":"raised"}`)); got != want {
			t.Errorf("%s: %q, want %q", topic, got, want)
		}
	}
	if got := Of("event", []byte(`{"v":1,"phase":"gap"}`)); got != "gap" {
		t.Errorf("gap: %q", got)
	}
}
