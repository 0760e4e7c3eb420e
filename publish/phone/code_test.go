package phone

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"io"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"chaffinch/internal/outside"
)

// readQR lets a program that we did not write (ZBar) read a QR code.
func readQR(t testing.TB, picture []byte) string {
	t.Helper()
	zbarimg := outside.Tool(t, "zbarimg")
	path := filepath.Join(t.TempDir(), "code.png")
	if err := os.WriteFile(path, picture, 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(zbarimg, "--quiet", "--raw", path).Output()
	if err != nil {
		t.Fatalf("zbarimg: %v", err)
	}
	return strings.TrimSpace(string(out))
}

// photograph is what a camera sees of the code on a dark terminal: a character
// is twice as high as wide.
func photograph(t testing.TB, text string) []byte {
	t.Helper()
	lines := strings.Split(strings.TrimRight(text, "\n"), "\n")
	const px = 8
	width := len([]rune(lines[0]))
	img := image.NewGray(image.Rect(0, 0, (width+4)*px, (2*len(lines)+4)*px)) // black around
	for row, line := range lines {
		for col, r := range []rune(line) {
			for half := range 2 {
				if r == '█' || r == '▀' && half == 0 || r == '▄' && half == 1 {
					for i := range px * px {
						img.SetGray((col+2)*px+i%px, (2*row+half+2)*px+i/px, color.Gray{255})
					}
				}
			}
		}
	}
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestTheCodeCanBeScanned(t *testing.T) {
	for _, url := range []string{"http://192.168.7.1:8080/#pair=482913", "https://combine-17.some.long.farm.example:8443/#pair=000000", "http://[fd12:3456:789a:1::1]:8080/#pair=999999"} {
		c := Code{Digits: url[len(url)-6:], Role: SetUp, URL: url}
		picture, err := c.PNG()
		if err != nil {
			t.Fatal(err)
		}
		if got := readQR(t, picture); got != url {
			t.Errorf("the picture says %q, want %q", got, url)
		}
		if got := readQR(t, photograph(t, c.Terminal())); got != url {
			t.Errorf("the terminal says %q, want %q", got, url)
		}
		if rows := strings.Count(c.Terminal(), "\n"); rows > 24 {
			t.Errorf("%d lines do not fit a terminal of 24", rows)
		}
	}
}

func TestWhoMaySeeThePicture(t *testing.T) {
	r := newRig(t)
	r.code(t, SetUp)
	// A program on this computer is a stranger too: it may be a detour for others.
	q := request("GET", api+"pairing.png", nil, "")
	q.RemoteAddr, q.Host = "127.0.0.1:5000", "localhost:8080"
	if status := r.do(q).StatusCode; status != 401 {
		t.Errorf("from this computer: status %d", status)
	}
	owner := httptest.NewRecorder()
	r.ServeHTTP(owner, request("GET", api+"pairing.png?role=look", r.member(SetUp), ""))
	picture, err := io.ReadAll(owner.Body)
	if err != nil {
		t.Fatal(err)
	}
	if got := readQR(t, picture); got != "http://"+host+"/#pair="+r.code(t, Look) {
		t.Errorf("the owner is shown %q", got)
	}
}
