package daemon

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"chaffinch/internal/config"
	"chaffinch/internal/outside"
)

// A phone fetches the shift that goes on, from the program that records it.
func TestAPhoneFetchesTheShift(t *testing.T) {
	t.Parallel()
	r := newRig(t, 100, func(c *config.Config) { c.Phone.Listen = outside.FreePort(t) })
	r.withPage(nil, func(b *browser) {
		var offered []struct{ Name, Href, Group string }
		for end := time.Now().Add(20 * time.Second); len(offered) == 0; time.Sleep(20 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatal("no shift is offered")
			}
			status, text := b.ask("GET", "downloads", "")
			if err := json.Unmarshal([]byte(text), &offered); err != nil || status != 200 {
				t.Fatal(status, err, text)
			}
		}
		for _, d := range offered {
			if !strings.HasPrefix(d.Name, "shift-1.") || !strings.HasSuffix(d.Group, ", so far") {
				t.Errorf("%+v", d)
			}
			if status, text := b.ask("GET", strings.TrimPrefix(d.Href, "/api/v1/"), ""); status != 200 || text == "" {
				t.Errorf("%s: status %d, %d bytes", d.Name, status, len(text))
			}
		}
		for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
			if _, text := b.ask("GET", "downloads/shift-1.csv", ""); strings.Count(text, ",cutting,") > 30 {
				return
			}
			if time.Now().After(end) {
				t.Fatal("the table has no rows")
			}
		}
	})
}
