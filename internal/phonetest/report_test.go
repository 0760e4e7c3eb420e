package phonetest

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"chaffinch/internal/recorded"
	"chaffinch/store/export"
	"chaffinch/store/export/report"
)

// The shift's report in a browser: readable for everybody on a phone and on a
// desk, and as a PDF of a few pages.
func TestTheReportIsReadAndPrinted(t *testing.T) {
	ph := newPhone(t, tall)
	folder := t.TempDir()
	store, err := recorded.Harvest(folder, 6, 1.5)
	if err != nil {
		t.Fatal(err)
	}
	s, err := export.Open(store)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	file := filepath.Join(folder, "report.html")
	var text bytes.Buffer
	if err := report.Write(context.Background(), &text, s, export.Part{}); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, text.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	ph.run(chromedp.Navigate("file://" + file))
	for _, s := range []screen{small, tall, {"desk", 1280, 900}} {
		ph.resize(s)
		if over := ask[float64](ph, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
			t.Errorf("%s: %g px wider than the screen", s.name, over)
		}
		if n := ask[float64](ph, `document.querySelectorAll('figure svg').length`); n < 4 {
			t.Errorf("%s: %g pictures, want a map and three curves", s.name, n)
		}
	}
	var printed page.PrintToPDFResult
	ph.run(chromedp.Func(func(ctx context.Context, t *chromedp.Target) (err error) {
		printed, err = cdp.Call(ctx, t, page.PrintToPDF, page.PrintToPDFParams{PrintBackground: new(true), PreferCSSPageSize: new(true)})
		return err
	}))
	pdf := printed.Data
	if pages := bytes.Count(pdf, []byte("/Type /Page\n")) + bytes.Count(pdf, []byte("/Type /Page ")); !bytes.HasPrefix(pdf, []byte("%PDF")) || pages < 2 || pages > 8 {
		t.Errorf("a PDF of %d bytes and %d pages", len(pdf), pages)
	}
}
