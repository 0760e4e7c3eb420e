package report_test

import (
	"bytes"
	"context"
	"html"
	"os"
	"regexp"
	"strings"
	"sync"
	"testing"

	"chaffinch/internal/recorded"
	"chaffinch/store/export"
	"chaffinch/store/export/report"
)

var harvest = sync.OnceValues(func() (string, error) {
	folder, err := os.MkdirTemp("", "report")
	if err != nil {
		return "", err
	}
	return recorded.Harvest(folder, 6, 1.5)
})

func written(t *testing.T) string {
	t.Helper()
	path, err := harvest()
	if err != nil {
		t.Fatal(err)
	}
	s, err := export.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var page bytes.Buffer
	if err := report.Format().Write(context.Background(), &page, s, export.Part{}); err != nil {
		t.Fatal(err)
	}
	return page.String()
}

func TestTheReportTellsTheShift(t *testing.T) {
	page := written(t)
	for _, want := range []string{
		"shift 1", "ha of", "before tomorrow", "How the time was spent", "What came of it", "Through the day", "Adjustments, and whether they helped",
		`aria-label="Map of the track, north up"`, "Feed, t/h", "Loss sensors", "≈ marks what is estimated", "Looked at and counted",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("%q is missing", want)
		}
	}
	for _, never := range []string{"NaN", "Inf", "%!", "<no value>", "ZgotmplZ", "0001", ">{"} {
		if strings.Contains(page, never) {
			i := strings.Index(page, never)
			t.Errorf("%q: %s", never, page[max(0, i-60):i+60])
		}
	}
}

var (
	pictures = regexp.MustCompile(`(?s)<(style|svg).*?</(style|svg)>`)
	tags     = regexp.MustCompile(`<[^>]*>`)
	blanks   = regexp.MustCompile(`[ \t]*\n\s*`)
)

// The words of a short shift, as a reader has them; pictures are looked at elsewhere.
func TestTheWordsOfAShift(t *testing.T) {
	text := strings.NewReplacer("</td>", " | ", "</th>", " | ", "</tr>", "\n", "</li>", "\n", "</p>", "\n", "</h2>", "\n", "</figcaption>", "\n", "</time>", " ", "</b>", " ").Replace(pictures.ReplaceAllString(written(t), ""))
	text = strings.TrimSpace(blanks.ReplaceAllString(html.UnescapeString(tags.ReplaceAllString(text, "")), "\n")) + "\n"
	const golden = "testdata/words.txt"
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(golden, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if text != string(want) {
		got, want := strings.Split(text, "\n"), strings.Split(string(want), "\n")
		for i := range min(len(got), len(want)) {
			if got[i] != want[i] {
				t.Fatalf("line %d of %s:\n%s\nwant\n%s", i+1, golden, got[i], want[i])
			}
		}
		t.Fatalf("%d lines, want %d", len(got), len(want))
	}
}

func TestItIsWellFormed(t *testing.T) { wellFormed(t, []byte(written(t))) }

// One page that holds all it needs: no script, nothing from elsewhere.
func TestTheReportNeedsNothing(t *testing.T) {
	page := written(t)
	for _, never := range []*regexp.Regexp{regexp.MustCompile(`(?i)<script`), regexp.MustCompile(`(?i)\bon[a-z]+="`), regexp.MustCompile(`(?i)(src|href|url)\s*[=(]`), regexp.MustCompile(`https?:`)} {
		if found := never.FindString(page); found != "" {
			t.Errorf("%q is in it", found)
		}
	}
	if len(page) > 1500<<10 {
		t.Errorf("%d bytes", len(page))
	}
}

func TestTheSameStoreGivesTheSameReport(t *testing.T) {
	first := written(t)
	if again := written(t); again != first {
		t.Error("two reports of one store differ")
	}
}

func TestAShiftThatThereIsNot(t *testing.T) {
	path, err := harvest()
	if err != nil {
		t.Fatal(err)
	}
	s, err := export.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if err := report.Format().Write(context.Background(), &bytes.Buffer{}, s, export.Part{Shift: 99}); err == nil || !strings.Contains(err.Error(), "shift 99") {
		t.Errorf("said %v", err)
	}
}
