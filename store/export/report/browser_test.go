package report_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"flag"
	"io"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"chaffinch/internal/outside"
)

var update = flag.Bool("update", false, "make the golden text or the pictures of the report anew")

// tab is a page in Chromium.
type tab struct {
	t   *testing.T
	ctx context.Context
}

func newTab(t *testing.T) *tab {
	t.Helper()
	if testing.Short() {
		t.Skip("NOT CHECKED: the report in a browser takes longer than a short run may")
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(outside.Tool(t, "chromium")), chromedp.NoSandbox, chromedp.DisableGPU)
	alloc, endAlloc := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(endAlloc)
	ctx, end := chromedp.NewContext(alloc)
	t.Cleanup(end)
	b := &tab{t, ctx}
	if err := chromedp.Do(ctx); err != nil {
		t.Fatal(err)
	}
	return b
}

func call[P, R any](b *tab, command cdp.Command[P, R], params P) R {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, time.Minute)
	defer cancel()
	var r R
	if err := chromedp.Do(ctx, chromedp.Func(func(ctx context.Context, target *chromedp.Target) (err error) {
		r, err = cdp.Call(ctx, target, command, params)
		return err
	})); err != nil {
		b.t.Fatal(err)
	}
	return r
}

func (b *tab) open(path string, width int64) {
	b.t.Helper()
	b.size(width, 1200)
	if err := chromedp.Do(b.ctx, chromedp.Navigate((&url.URL{Scheme: "file", Path: path}).String())); err != nil {
		b.t.Fatal(err)
	}
}

func (b *tab) size(width, height int64) {
	b.t.Helper()
	call(b, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: width, Height: height, DeviceScaleFactor: 1})
}

func ask[T any](b *tab, expression string) T {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatalf("%.80s: %v", expression, err)
	}
	return v
}

// paper are sizes in inches.
var paper = map[string][2]float64{"A4": {8.27, 11.69}, "Letter": {8.5, 11}}

// printed is the report on paper.
func (b *tab) printed(size string) []byte {
	b.t.Helper()
	yes := true
	r := call(b, page.PrintToPDF, page.PrintToPDFParams{PaperWidth: paper[size][0], PaperHeight: paper[size][1], PrintBackground: &yes})
	return r.Data
}

var pdfPage = regexp.MustCompile(`/Type\s*/Page\b[^s]`)

// A shift of twelve hours fits a phone's width and a desk's, prints on a handful of
// pages, and the accessibility checker axe-core 4.14.1 finds nothing to object to.
func TestChromiumShowsAndPrintsIt(t *testing.T) {
	b := newTab(t)
	for _, of := range reports(t) {
		for _, width := range []int64{360, 800, 1280} {
			b.open(of.path, width)
			if over := ask[[]string](b, `[...document.querySelectorAll('body *')].filter((e) => !e.closest('svg') && !e.closest('.wide') && e.getBoundingClientRect().right > innerWidth + 0.5)
				.map((e) => e.tagName + ' ' + e.className)`); len(over) > 0 {
				t.Errorf("%s: %d px wide: over the edge are %q", of.name, width, over)
			}
			if n := ask[float64](b, `document.documentElement.scrollWidth - innerWidth`); n > 0 {
				t.Errorf("%s: %d px wide: scrolls sideways by %v", of.name, width, n)
			}
		}
		if n := ask[int](b, `performance.getEntriesByType('resource').length`); n != 0 {
			t.Errorf("%s: it loads %d things", of.name, n)
		}
		for size := range paper {
			n := len(pdfPage.FindAll(b.printed(size), -1))
			if n < 2 || n > 9 {
				t.Errorf("%s: %d pages of %s", of.name, n, size)
			}
			t.Logf("%s: %d pages of %s", of.name, n, size)
		}
		ask[bool](b, axe(t)+";true")
		for _, v := range ask[[]string](b, `axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'] })
			.then((r) => r.violations.flatMap((v) => v.nodes.map((n) => v.id + ': ' + n.html.slice(0, 120) + ' ' + n.failureSummary))
			.concat(r.passes.length < 10 ? ['only ' + r.passes.length + ' rules applied'] : []))`) {
			t.Errorf("%s: axe: %s", of.name, v)
		}
	}
}

// axe is the checker's source; it stands beside the tests of the phone's page.
func axe(t *testing.T) string {
	t.Helper()
	f, err := os.Open("../../../internal/phonetest/testdata/axe.min.js.gz")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	source, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	return string(source)
}

// Pictures of the printed pages, to be looked at. Made only on demand.
func TestPictures(t *testing.T) {
	if !*update {
		t.Skip("pictures are made by -update, to be looked at")
	}
	b := newTab(t)
	ppm, quant := outside.Tool(t, "pdftoppm"), outside.Tool(t, "pngquant")
	old, err := filepath.Glob("shots/*.png")
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range old {
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.MkdirAll("shots", 0o755); err != nil {
		t.Fatal(err)
	}
	for _, of := range reports(t) {
		b.open(of.path, 800)
		folder := "shots"
		if of.name == "real" { // whose licence keeps pictures of it out of this repository
			folder = filepath.Join(os.TempDir(), "chaffinch-report-shots")
			if err := os.MkdirAll(folder, 0o755); err != nil {
				t.Fatal(err)
			}
			t.Logf("the pages of the real combine are in %s", folder)
		}
		cmd := exec.Command(ppm, "-png", "-r", "80", "-", filepath.Join(folder, of.name))
		cmd.Stdin = bytes.NewReader(b.printed("A4"))
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
	}
	shots, err := filepath.Glob("shots/*.png")
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range shots {
		if out, err := exec.Command(quant, "--force", "--ext", ".png", "--strip", "64", path).CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
	}
}
