package report_test

import (
	"bytes"
	"context"
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
	if err := report.Write(context.Background(), &page, s, export.Part{}); err != nil {
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
	for _, never := range []string{"NaN", "Inf", "%!", "<no value>", "ZgotmplZ", "0001"} {
		if strings.Contains(page, never) {
			i := strings.Index(page, never)
			t.Errorf("%q: %s", never, page[max(0, i-60):i+60])
		}
	}
}

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
	if err := report.Write(context.Background(), &bytes.Buffer{}, s, export.Part{Shift: 99}); err == nil || !strings.Contains(err.Error(), "shift 99") {
		t.Errorf("said %v", err)
	}
}
