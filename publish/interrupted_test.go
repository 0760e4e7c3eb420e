package publish

import (
	"encoding/json"
	"testing"
	"time"

	"chaffinch/detect"
)

func TestAnInterruptedEventKeepsWhatIsKnownOfIt(t *testing.T) {
	before := Clock{Boot: 3}
	left := AppendEventMessage(nil, 7, 90e9, &detect.Event{Number: 2, Kind: "fault-code", Subject: "100-1@0", Raised: 90e9, Text: "x"}, before)
	got, err := AppendInterrupted(nil, 1, 0, left, Clock{Boot: 4})
	if err != nil {
		t.Fatal(err)
	}
	var m struct {
		ID, Phase, Subject string
		Boot               int
		Interrupted        bool
		Event              struct {
			ID, Kind string
			Ended    *time.Time
		}
	}
	if err := json.Unmarshal(got, &m); err != nil {
		t.Fatalf("%v: %s", err, got)
	}
	if m.ID != "m4-1" || m.Boot != 4 || m.Phase != "ended" || !m.Interrupted || m.Subject != "100-1@0" ||
		m.Event.ID != "e3-2" || m.Event.Kind != "fault-code" || m.Event.Ended != nil {
		t.Errorf("%s", got)
	}
	for _, bad := range []string{"", "{}", `{"event":null}`, "nothing"} {
		if _, err := AppendInterrupted(nil, 1, 0, []byte(bad), Clock{}); err == nil {
			t.Errorf("%q was taken", bad)
		}
	}
}
