package phone

import (
	"fmt"
	"net"
	"path/filepath"
	"strconv"
	"strings"

	"chaffinch/internal/problem"
)

// Settings is the [phone] table of the configuration.
type Settings struct {
	// Listen is the address and TCP port of the page, such as ":8080" for all
	// addresses of the computer. Empty: no page.
	Listen string `toml:"listen"`
	// TLS is TLSGenerated for a certificate that the program makes itself, or
	// empty: then the page is encrypted only if the owner gives a certificate.
	TLS string `toml:"tls"`
	// CertFile and KeyFile are the owner's certificate and its key, PEM.
	CertFile string `toml:"cert_file"`
	KeyFile  string `toml:"key_file"`
	// Hosts are further names by which phones may call this computer. Its
	// addresses and its own name are known.
	Hosts []string `toml:"hosts"`
}

// TLSGenerated is a certificate that the program makes itself.
const TLSGenerated = "generated"

// DefaultSettings serves the page on every address: phones in the cab reach it
// over the computer's own wireless network.
func DefaultSettings() Settings { return Settings{Listen: ":8080"} }

// Validate returns what cannot be.
func (s Settings) Validate() []*problem.Problem {
	var all []*problem.Problem
	wrong := func(key, what, try string) {
		all = append(all, &problem.Problem{Key: "phone." + key, What: what, Try: try})
	}
	if s.Listen != "" && !canListen(s.Listen) {
		wrong("listen", fmt.Sprintf("%q is not an address to listen on", s.Listen),
			`give address:port with a port from 1 to 65535, such as ":8080" or "192.168.7.1:8080"; "" for no page`)
	}
	if s.TLS != "" && s.TLS != TLSGenerated {
		wrong("tls", fmt.Sprintf("tls is %q", s.TLS), `give "generated", or "" and a certificate of your own as cert_file and key_file, or "" alone for no encryption`)
	}
	for _, f := range []struct{ key, value, other string }{{"cert_file", s.CertFile, s.KeyFile}, {"key_file", s.KeyFile, s.CertFile}} {
		switch {
		case f.value == "" && f.other != "":
			wrong(f.key, "a certificate and its key belong together, and "+f.key+" is not given", "give both cert_file and key_file")
		case f.value == "":
		case s.TLS == TLSGenerated:
			wrong(f.key, f.key+` is not used while tls is "generated"`, "remove one of the two")
		case !filepath.IsAbs(f.value):
			wrong(f.key, fmt.Sprintf("%q is not a full path", f.value), `give a path from the root, such as "/etc/chaffinch/`+filepath.Base(f.value)+`"`)
		}
	}
	for _, h := range s.Hosts {
		if h == "" || len(h) > 253 || strings.ContainsAny(h, ":/@ *") {
			wrong("hosts", fmt.Sprintf("%q is not the name of a computer", h), `give the name alone, such as "combine.farm.example"`)
		}
	}
	return all
}

// Encrypted tells whether the page is served by https.
func (s Settings) Encrypted() bool { return s.TLS == TLSGenerated || s.CertFile != "" }

func canListen(address string) bool {
	_, port, err := net.SplitHostPort(address)
	if err != nil {
		return false
	}
	n, err := strconv.ParseUint(port, 10, 16)
	return err == nil && n > 0
}
