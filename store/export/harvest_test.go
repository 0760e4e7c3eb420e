package export_test

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/canbus/virtual"
	"chaffinch/internal/config"
	"chaffinch/internal/core"
	"chaffinch/store"
	"chaffinch/store/export"
)

// hours is how long the harvest is: shorter under the race detector.
func hours() float64 {
	if testing.Short() {
		return 0.7
	}
	return 2
}

// harvest is a make-believe harvest as the program itself stored it, and the
// samples that the same run wrote.
var harvest = sync.OnceValues(func() (file, samples []byte) { return recorded(virtual.Random(3, hours())) })

// recorded runs a make-believe harvest through the program into a store.
func recorded(scenario virtual.Scenario) (file, samples []byte) {
	folder, err := os.MkdirTemp("", "export")
	check(err)
	defer os.RemoveAll(folder)
	toml := filepath.Join(folder, "combine.toml")
	check(os.WriteFile(toml, []byte(virtual.ConfigText(scenario)), 0o600))
	cfg, wrong := config.Load(toml)
	check(errors.Join(wrong...))
	path := filepath.Join(folder, "store.db")
	recording, err := core.NewRecording(path, store.DefaultSettings())
	check(err)
	var c *core.Core
	var table bytes.Buffer
	rows := core.NewSamples(&table, func(at signal.Instant) (time.Time, bool) { return time.Unix(0, c.Stamp(at)), true })
	c, err = core.New(cfg, recording.Beside(core.Outputs{State: rows.State}))
	check(err)
	recording.Follow(c)
	combine := virtual.New(scenario, 3)
	for f := range combine.Frames() {
		c.Frame(f)
	}
	c.Finish()
	check(errors.Join(rows.Close(), recording.Close()))
	file, err = os.ReadFile(path)
	check(err)
	return file, table.Bytes()
}

func check(err error) {
	if err != nil {
		panic(err)
	}
}

// stored is the harvest's store in a file of the test's own.
func stored(t *testing.T) (path string) {
	t.Helper()
	file, _ := harvest()
	path = filepath.Join(t.TempDir(), "store.db")
	if err := os.WriteFile(path, file, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func open(t *testing.T, path string) *export.Source {
	t.Helper()
	src, err := export.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := src.Close(); err != nil {
			t.Error(err)
		}
	})
	return src
}

// undated is the harvest in a store of a board whose clock was never set: the same
// records, without their wall records. What was published has its dates still.
func undated(t *testing.T) *export.Source {
	t.Helper()
	from, err := store.Open(stored(t), store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer from.Close()
	path := filepath.Join(t.TempDir(), "undated.db")
	to, err := store.Open(path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var all []store.Record
	for kind := range store.Memory + 1 {
		for r, err := range from.All(kind, store.Key{}) {
			if err != nil {
				t.Fatal(err)
			}
			all = append(all, r)
		}
	}
	// As they were written, so that each kind keeps its place.
	sortByKey(all)
	for i := range all {
		all[i].Key = store.Key{}
	}
	if err := errors.Join(to.Append(all), to.Close()); err != nil {
		t.Fatal(err)
	}
	return open(t, path)
}

// written is a format of a part.
func written(t *testing.T, src *export.Source, name string, p export.Part) []byte {
	t.Helper()
	for _, f := range export.Formats() {
		if f.Name != name {
			continue
		}
		var out bytes.Buffer
		if err := f.Write(context.Background(), &out, src, p); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if n := src.Unread(); n != 0 {
			t.Errorf("%s: %d were passed over", name, n)
		}
		return out.Bytes()
	}
	t.Fatalf("there is no format %s", name)
	return nil
}

func lines(text []byte) []string {
	return strings.Split(strings.TrimRight(string(text), "\r\n"), "\n")
}

// write puts bytes into a file of the test's own.
func write(t *testing.T, name string, text []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}
