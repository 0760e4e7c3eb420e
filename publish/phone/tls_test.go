package phone

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"chaffinch/internal/outside"
)

// encrypted serves with TLS until the test ends.
func (r *rig) encrypted() (address string) {
	r.t.Helper()
	config, err := r.tlsConfig()
	if err != nil || config == nil {
		r.t.Fatal(err)
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		r.t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- r.serve(ctx, ln, config) }()
	r.t.Cleanup(func() { stop(); <-ended })
	return ln.Addr().String()
}

func trusting(certificate string) *http.Client {
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM([]byte(certificate))
	return &http.Client{Timeout: 5 * time.Second, Transport: &http.Transport{DisableKeepAlives: true, TLSClientConfig: &tls.Config{RootCAs: pool}}}
}

func TestGeneratedCertificate(t *testing.T) {
	r := newRig(t, func(o *Options) { o.Settings.TLS = TLSGenerated; o.Settings.Hosts = []string{"combine.farm.example"} })
	address := r.encrypted()
	kept := r.kept.get(KeptCertificate)
	_, port, err := net.SplitHostPort(address)
	if err != nil {
		t.Fatal(err)
	}
	answer, err := trusting(kept).Get("https://localhost:" + port + api + "healthz")
	if err != nil || answer.StatusCode != 200 {
		t.Fatal(answer, err)
	}
	if _, err := http.Get("https://localhost:" + port + "/"); err == nil {
		t.Error("somebody who does not know the certificate takes it")
	}
	// Cookies go encrypted only.
	q, _ := http.NewRequest("POST", "https://localhost:"+port+api+"pair", strings.NewReader(pairBody(r.code(t, Look))))
	q.Header.Set("Origin", "https://localhost:"+port)
	q.Header.Set("Content-Type", "application/json")
	paired, err := trusting(kept).Do(q)
	if err != nil || paired.StatusCode != 200 || !paired.Cookies()[0].Secure {
		t.Errorf("%v %v", paired, err)
	}
	// Without encryption there is nothing to hear.
	if plain, err := http.Get("http://" + address + "/"); err == nil && plain.StatusCode != 400 {
		t.Errorf("plain http: status %d", plain.StatusCode)
	}
	// A restart has the same certificate, so that phones warn once only.
	again := newRig(t, func(o *Options) { o.Settings.TLS = TLSGenerated; o.Keep = r.kept.keep() })
	if _, err := again.tlsConfig(); err != nil || again.kept.get(KeptCertificate) != "" || r.kept.get(KeptCertificate) != kept {
		t.Errorf("made another one: %v", err)
	}
	block, _ := pem.Decode([]byte(kept))
	cert, err := x509.ParseCertificate(block.Bytes)
	if err != nil || cert.IsCA || cert.VerifyHostname("combine.farm.example") != nil || cert.VerifyHostname("evil.example") == nil {
		t.Errorf("%v %+v", err, cert.DNSNames)
	}
	r.kept.all[KeptCertificate] = []byte("no certificate")
	if _, err := newRig(t, func(o *Options) { o.Settings.TLS = TLSGenerated; o.Keep = r.kept.keep() }).tlsConfig(); err != nil {
		t.Errorf("a damaged certificate keeps the page away: %v", err)
	}
}

// A certificate that somebody else's tool made (OpenSSL), and another tool that
// judges what is offered.
func TestTheOwnersCertificate(t *testing.T) {
	openssl := outside.Tool(t, "openssl")
	folder := t.TempDir()
	cert, key := filepath.Join(folder, "page.pem"), filepath.Join(folder, "key.pem")
	if out, err := exec.Command(openssl, "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=combine",
		"-addext", "subjectAltName=DNS:localhost", "-keyout", key, "-out", cert).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	r := newRig(t, func(o *Options) { o.Settings.CertFile, o.Settings.KeyFile = cert, key })
	address := r.encrypted()
	_, port, _ := net.SplitHostPort(address)
	text, err := os.ReadFile(cert)
	if err != nil {
		t.Fatal(err)
	}
	answer, err := trusting(string(text)).Get("https://localhost:" + port + api + "healthz")
	if err != nil || answer.StatusCode != 200 {
		t.Error(answer, err)
	}
	try := func(args ...string) string {
		cmd := exec.Command(openssl, append([]string{"s_client", "-connect", address, "-brief"}, args...)...)
		cmd.Stdin = strings.NewReader("")
		out, _ := cmd.CombinedOutput() // its status tells nothing; what it says does
		return string(out)
	}
	if out := try("-tls1_2"); !strings.Contains(out, "TLSv1.2") {
		t.Errorf("TLS 1.2: %s", out)
	}
	if out := try("-tls1_1", "-cipher", "ALL:@SECLEVEL=0"); strings.Contains(out, "CONNECTION ESTABLISHED") {
		t.Errorf("TLS 1.1 is taken: %s", out)
	}
	if out := try(); !strings.Contains(out, "TLSv1.3") {
		t.Errorf("TLS 1.3: %s", out)
	}
	missing := newRig(t, func(o *Options) { o.Settings.CertFile, o.Settings.KeyFile = cert, filepath.Join(folder, "none.pem") })
	if err := missing.Run(t.Context()); err == nil || !strings.Contains(fmt.Sprint(missing.Health().Err), "certificate") {
		t.Errorf("without a key: %v, %+v", err, missing.Health())
	}
}

// A stranger who begins to encrypt and stops.
func TestHalfAHandshake(t *testing.T) {
	r := newRig(t, func(o *Options) { o.Settings.TLS = TLSGenerated })
	r.limits.header, r.limits.read, r.limits.write = 200*time.Millisecond, 200*time.Millisecond, 200*time.Millisecond
	address := r.encrypted()
	c, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	fmt.Fprint(c, "\x16\x03\x01\x02\x00\x01")
	_ = c.SetReadDeadline(time.Now().Add(5 * time.Second))
	if _, err := io.ReadAll(c); err != nil {
		if e, ok := err.(net.Error); ok && e.Timeout() {
			t.Error("it is held open")
		}
	}
}

// A start while the address is taken: it is served when that is free.
func TestTheAddressIsTaken(t *testing.T) {
	other, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r := newRig(t, func(o *Options) { o.Settings.Listen = other.Addr().String() })
	r.limits.retry = 10 * time.Millisecond
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- r.Run(ctx) }()
	wait := func(what string, is func(Health) bool) {
		t.Helper()
		for end := time.Now().Add(5 * time.Second); !is(r.Health()); time.Sleep(time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("%s: %+v", what, r.Health())
			}
		}
	}
	wait("it does not say so", func(h Health) bool { return h.Err != nil && h.Address == "" })
	other.Close()
	wait("it does not come", func(h Health) bool { return h.Err == nil && h.Address == r.opts.Settings.Listen })
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if h := r.Health(); h.Address != "" {
		t.Errorf("after the end: %+v", h)
	}
}
