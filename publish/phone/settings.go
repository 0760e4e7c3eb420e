package phone

import (
	"fmt"
	"net"
	"strconv"

	"chaffinch/internal/problem"
)

// Settings is the [phone] table of the configuration.
type Settings struct {
	// Listen is the address and TCP port of the page, such as ":8080" for all
	// addresses of the computer. Empty: no page.
	Listen string `toml:"listen"`
}

// DefaultSettings serves the page on every address: phones in the cab reach it
// over the computer's own wireless network.
func DefaultSettings() Settings { return Settings{Listen: ":8080"} }

// Validate returns what cannot be.
func (s Settings) Validate() []*problem.Problem {
	if s.Listen == "" {
		return nil
	}
	_, port, err := net.SplitHostPort(s.Listen)
	if err == nil {
		if n, bad := strconv.ParseUint(port, 10, 16); bad == nil && n > 0 {
			return nil
		}
	}
	return []*problem.Problem{{Key: "phone.listen", What: fmt.Sprintf("%q is not an address to listen on", s.Listen),
		Try: `give address:port with a port from 1 to 65535, such as ":8080" or "192.168.7.1:8080"; "" for no page`}}
}
