package publish

import (
	"encoding/json"
	"math"
	"reflect"
	"testing"
	"time"
	"unicode/utf8"

	"pgregory.net/rapid"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
)

func TestNumbersCarryTheirDigitsOnly(t *testing.T) {
	tests := []struct {
		v        float64
		decimals int
		want     string
	}{
		{2043.375, 0, "2043"}, {5.648, 1, "5.6"}, {-0.04, 1, "0.0"}, {-0.4, 0, "0"}, {-0.06, 1, "-0.1"},
		{52.12345678, 7, "52.1234568"}, {math.NaN(), 1, "null"}, {math.Inf(-1), 1, "null"}, {1e21, 0, "1000000000000000000000"},
	}
	for _, test := range tests {
		if got := string(appendNumber(nil, test.v, test.decimals)); got != test.want {
			t.Errorf("%v with %d decimals: %s, want %s", test.v, test.decimals, got, test.want)
		}
	}
}

// Two digits after the point of a number as large as there are.
func TestAnyNumberOfANoteIsJSON(t *testing.T) {
	for _, v := range []float64{0, -0.001, 12.345, 1e300, 1e307, -math.MaxFloat64, math.Inf(1), math.NaN()} {
		var o object
		o.number("to", &v)
		if text := o.end(); !json.Valid(text) {
			t.Errorf("%v: %s", v, text)
		}
	}
}

func TestDatesAreKnownOrNull(t *testing.T) {
	at := func(y int, trusted bool) Clock {
		return Clock{Wall: func(signal.Instant) (time.Time, bool) {
			return time.Date(y, 1, 2, 3, 4, 5, 678_900_000, time.FixedZone("", 3600)), trusted
		}}
	}
	tests := []struct {
		name  string
		clock Clock
		want  string
	}{
		{"UTC with milliseconds", at(2025, true), `"2025-01-02T02:04:05.678Z"`},
		{"not trusted", at(1970, false), "null"},
		{"no clock", Clock{}, "null"},
		{"before RFC 3339", at(0, true), "null"},
		{"beyond RFC 3339", at(10000, true), "null"},
	}
	for _, test := range tests {
		if got := string(appendDate(nil, test.clock, 0)); got != test.want {
			t.Errorf("%s: %s, want %s", test.name, got, test.want)
		}
	}
}

// Whatever a detector or a bus brings, the object parses (by the standard
// library's reader) and its texts come back.
func TestAnyEventIsAnObject(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.OneOf(rapid.String(), rapid.Map(rapid.SliceOf(rapid.Byte()), func(b []byte) string { return string(b) }))
		fact := rapid.Custom(func(t *rapid.T) detect.Fact {
			return detect.Fact{Name: text.Draw(t, "name"), Value: rapid.Float64().Draw(t, "value"), Unit: text.Draw(t, "unit")}
		})
		e := &detect.Event{
			Number: rapid.Uint64().Draw(t, "number"), Kind: text.Draw(t, "kind"), Subject: text.Draw(t, "subject"),
			Phase: detect.Phase(rapid.Byte().Draw(t, "phase")), Priority: detect.Priority(rapid.Byte().Draw(t, "priority")),
			Ended: signal.Instant(rapid.Int64().Draw(t, "ended")), Signal: text.Draw(t, "signal"),
			Peak: fact.Draw(t, "peak"), Evidence: rapid.SliceOfN(fact, 0, 5).Draw(t, "evidence"),
			Latitude: signal.Degree(rapid.Float64().Draw(t, "latitude")), Located: rapid.Bool().Draw(t, "located"), Text: text.Draw(t, "text"),
		}
		payload := AppendEventMessage(nil, 1, 0, e, synced)
		var got struct {
			Subject *string
			Event   struct {
				ID, Kind, Text string
				Evidence       map[string]*float64
			}
		}
		if err := json.Unmarshal(payload, &got); err != nil {
			t.Fatalf("%v: %s", err, payload)
		}
		if utf8.ValidString(e.Text) && got.Event.Text != e.Text {
			t.Fatalf("text %q came back as %q", e.Text, got.Event.Text)
		}
		if again := AppendEventMessage(nil, 1, 0, e, synced); !reflect.DeepEqual(payload, again) {
			t.Fatalf("not the same twice:\n%s\n%s", payload, again)
		}
	})
}

func TestEvidenceNamesAFactOnce(t *testing.T) {
	got := string(appendEvidence(nil, []detect.Fact{{Name: "a", Value: 1}, {Name: "a", Value: 2}, {Name: "fullness_pct", Value: 64.7}}))
	if want := `{"a":1.0,"fullness_pct":65}`; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

func TestTopics(t *testing.T) {
	tests := []struct{ machine, kind, subject, want string }{
		{"West 2", "engine-overload", "", "chaffinch/v1/west-2/alert/engine-overload"},
		{"West 2", "signal-silent", "rotor_speed_rpm", "chaffinch/v1/west-2/alert/signal-silent/rotor-speed-rpm"},
		{"West 2", "fault-code", "100-1@0", "chaffinch/v1/west-2/alert/fault-code/100-1-0"},
		{" +/#$ ", "bus-silent", "", "chaffinch/v1/machine/alert/bus-silent"},
		{"--Müller__№7--", "bus-silent", "", "chaffinch/v1/m-ller-7/alert/bus-silent"},
	}
	for _, test := range tests {
		if got := NewTopics(test.machine).Alert(test.kind, test.subject); got != test.want {
			t.Errorf("%q: %s, want %s", test.machine, got, test.want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		name := NewTopics(rapid.String().Draw(t, "machine")).Machine()
		if name == "" || len(name) > longestName {
			t.Fatalf("name %q", name)
		}
		for i, c := range []byte(name) {
			inside := i > 0 && i < len(name)-1
			if (c < 'a' || c > 'z') && (c < '0' || c > '9') && (c != '-' || !inside) {
				t.Fatalf("name %q has %q", name, c)
			}
		}
	})
}
