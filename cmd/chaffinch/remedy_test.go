package main

import (
	"net"
	"path/filepath"
	"strings"
	"testing"

	"chaffinch/detect/advise"
)

// Mistakes that people make, and what they are told to do.
func TestMistakesAreToldWithTheirRemedy(t *testing.T) {
	gone := filepath.Join(t.TempDir(), "gone.toml")
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	nobody := "http://" + l.Addr().String()
	l.Close()
	for _, c := range []struct {
		name string
		args []string
		want []string
		not  string
	}{
		{"no such configuration, run", []string{"run", "--config", gone}, []string{"there is no configuration " + gone, "--config"}, "stat "},
		{"no such configuration, check", []string{"check-config", gone}, []string{"there is no configuration " + gone, "--config"}, "1 mistake"},
		{"no such configuration, replay", []string{"replay", "--config", gone, "-"}, []string{"there is no configuration " + gone}, "stat "},
		{"no such configuration, device", []string{"device", "add", "tablet", "--config", gone}, []string{"there is no configuration " + gone}, "stat "},
		{"a signal without its unit", []string{"find", "rotor_speed", "--log", "x.log"}, []string{`did you mean "rotor_speed_rpm"?`}, "survey"},
		{"a signal that nobody can guess", []string{"find", "x", "--log", "x.log"}, []string{"give one of ground_speed_kmh, "}, "survey"},
		{"no machine at the address", []string{"export", "--from", nobody, "--code", "123456", "--format", "csv", "--tokens", filepath.Join(t.TempDir(), "tokens")},
			[]string{"nothing answers at " + nobody, "is on"}, "/api/"},
		{"the service is not running", []string{"status", "--file", gone}, []string{"sudo systemctl start chaffinch", "started by hand"}, "\nchaffinch:"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := chaffinch(nil, c.args...)
			said := r.out + r.err
			if r.code == exitDone {
				t.Errorf("it is taken for done: %s", said)
			}
			for _, want := range c.want {
				if !strings.Contains(said, want) {
					t.Errorf("said %q, without %q", said, want)
				}
			}
			if strings.Contains(said, c.not) {
				t.Errorf("said %q, with %q", said, c.not)
			}
		})
	}
}

// What the demo prints is for people: no word that only the program uses.
func TestHowAPromptEndedIsSaidInWords(t *testing.T) {
	for _, how := range []string{advise.ClosedExpired, advise.ClosedGone, advise.ClosedMoved, advise.ClosedOther, advise.ClosedSetup} {
		if got := sayNote(&advise.Note{Kind: advise.PromptClosed, Prompt: &advise.Prompt{ID: 3, Closed: how}}); strings.HasSuffix(got, " "+how) {
			t.Errorf("%q ends with the word of the protocol", got)
		}
	}
}
