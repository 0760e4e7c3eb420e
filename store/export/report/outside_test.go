package report_test

import (
	"bytes"
	"context"
	"encoding/xml"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"chaffinch/internal/config"
	"chaffinch/internal/core"
	"chaffinch/internal/recorded"
	"chaffinch/internal/tables"
	"chaffinch/store"
	"chaffinch/store/export"
	"chaffinch/store/export/report"
)

// sample is a report in a file.
type sample struct{ name, path string }

// reports are those that are looked at in a browser: of a make-believe harvest of
// twelve hours and, where its table is at hand, of a real combine.
func reports(t *testing.T) []sample {
	t.Helper()
	folder := t.TempDir()
	path, err := recorded.Harvest(folder, 5, 12)
	if err != nil {
		t.Fatal(err)
	}
	all := []sample{{"virtual", reportOf(t, path)}}
	if from := os.Getenv("CHAFFINCH_TABLES"); from != "" {
		all = append(all, sample{"real", reportOf(t, realHarvest(t, from))})
	} else {
		t.Log("NOT CHECKED: the report of a real combine needs CHAFFINCH_TABLES")
	}
	return all
}

// reportOf writes the report of a store beside it.
func reportOf(t *testing.T, path string) string {
	t.Helper()
	s, err := export.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var page bytes.Buffer
	if err := report.Format().Write(context.Background(), &page, s, export.Part{}); err != nil {
		t.Fatal(err)
	}
	t.Logf("%s: %d KB", filepath.Base(path), page.Len()/1024)
	if page.Len() > 1500<<10 {
		t.Errorf("%d bytes; 1.5 MB are promised", page.Len())
	}
	wellFormed(t, page.Bytes())
	to := filepath.Join(filepath.Dir(path), "report.html")
	if err := os.WriteFile(to, page.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return to
}

// realHarvest records the 1 Hz table of a real combine. It is published under
// AGPL-3.0 and so not part of this repository.
func realHarvest(t *testing.T, from string) string {
	t.Helper()
	rows, err := tables.ReadRows(filepath.Join(from, "combine-1hz", "combine-1hz.csv.gz"))
	if err != nil {
		t.Fatal(err)
	}
	folder := t.TempDir()
	toml := filepath.Join(folder, "combine.toml")
	if err := os.WriteFile(toml, []byte("[machine]\ncut_width_m = 10.97\n[crop]\nname = \"canola\"\n"+tables.CombineMaps), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg, wrong := config.Load(toml)
	if err := errors.Join(wrong...); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(folder, "store.db")
	recording, err := core.NewRecording(path, store.DefaultSettings())
	if err != nil {
		t.Fatal(err)
	}
	c, err := core.New(cfg, recording.Beside(core.Outputs{}))
	if err != nil {
		t.Fatal(err)
	}
	recording.Follow(c)
	for _, f := range tables.Combine(rows) {
		c.Frame(&f)
	}
	c.Finish()
	if err := recording.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

// wellFormed reads the page as XML, which forgives nothing.
func wellFormed(t *testing.T, page []byte) {
	t.Helper()
	d := xml.NewDecoder(bytes.NewReader(page))
	for {
		_, err := d.Token()
		if err == io.EOF {
			return
		}
		if err != nil {
			line, column := d.InputPos()
			t.Fatalf("line %d, column %d: %v", line, column, err)
		}
	}
}
