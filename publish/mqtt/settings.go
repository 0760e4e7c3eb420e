package mqtt

import (
	"fmt"
	"net"
	"net/url"
	"path/filepath"
	"strconv"
	"strings"

	"chaffinch/internal/problem"
)

// Settings is the [mqtt] table of the configuration.
type Settings struct {
	// Listen is the address and TCP port of the broker inside the program. It
	// is not used when Broker names another one.
	Listen string `toml:"listen"`
	// Server is the broker of the cab when it is not the one inside.
	Server
	// Uplink is a broker elsewhere that gets everything through the outbox.
	// Without a Broker there is no uplink.
	Uplink Server `toml:"uplink"`
}

// Server says how to reach a broker that is not inside the program.
type Server struct {
	// Broker is its URL: mqtt://host:port or mqtts://host:port (TLS). Empty: none.
	Broker string `toml:"broker"`
	// Username and the file that holds the password, one line. Empty: none.
	Username     string `toml:"username"`
	PasswordFile string `toml:"password_file"`
	// CAFile is a PEM file of the authorities that may vouch for the broker.
	// Empty: those of the system.
	CAFile string `toml:"ca_file"`
	// ClientID must be the program's alone at that broker. Empty: one that is
	// made of the machine's name.
	ClientID string `toml:"client_id"`
}

// DefaultSettings is the broker inside, for this computer only, and no uplink.
func DefaultSettings() Settings { return Settings{Listen: "127.0.0.1:1883"} }

// Validate returns what cannot be.
func (s Settings) Validate() []*problem.Problem {
	var all []*problem.Problem
	if s.Broker == "" && !canListen(s.Listen) {
		all = append(all, &problem.Problem{Key: "mqtt.listen", What: fmt.Sprintf("%q is not an address to listen on", s.Listen),
			Try: `give address:port with a port from 1 to 65535, such as "127.0.0.1:1883"`})
	}
	all = append(all, s.Server.validate("mqtt")...)
	return append(all, s.Uplink.validate("mqtt.uplink")...)
}

func canListen(address string) bool {
	_, port, err := net.SplitHostPort(address)
	return err == nil && isPort(port)
}

func isPort(text string) bool {
	n, err := strconv.ParseUint(text, 10, 16)
	return err == nil && n > 0
}

func (s Server) validate(table string) []*problem.Problem {
	var all []*problem.Problem
	wrong := func(key, what, try string) {
		all = append(all, &problem.Problem{Key: table + "." + key, What: what, Try: try})
	}
	if s.Broker == "" {
		for _, f := range []struct{ key, value string }{
			{"username", s.Username}, {"password_file", s.PasswordFile}, {"ca_file", s.CAFile}, {"client_id", s.ClientID},
		} {
			if f.value != "" {
				wrong(f.key, f.key+" is for a broker, and none is given", `give broker = "mqtts://host:8883" in [`+table+`], or remove the line`)
			}
		}
		return all
	}
	s.validateURL(wrong)
	if s.PasswordFile != "" && s.Username == "" {
		wrong("password_file", "there is a password but no username", "give username as well (MQTT 3.1.1, 3.1.2.9, wants both)")
	}
	for _, f := range []struct{ key, value string }{{"password_file", s.PasswordFile}, {"ca_file", s.CAFile}} {
		if f.value != "" && !filepath.IsAbs(f.value) {
			wrong(f.key, fmt.Sprintf("%q is not a full path", f.value), "give a path from the root, such as \"/etc/chaffinch/"+filepath.Base(f.value)+"\"")
		}
	}
	return all
}

func (s Server) validateURL(wrong func(key, what, try string)) {
	u, err := url.Parse(s.Broker)
	switch {
	case err != nil || u.Hostname() == "" || (u.Scheme != "mqtt" && u.Scheme != "mqtts"):
		// The text may hold a password: it is not repeated here.
		wrong("broker", "the address of the broker cannot be understood", `give "mqtts://host:8883" (TLS) or "mqtt://host:1883"`)
	case u.User != nil:
		wrong("broker", "the address holds a user or a password", "give them as username and password_file, so that no secret stands in this file")
	case u.Port() != "" && !isPort(u.Port()):
		wrong("broker", fmt.Sprintf("port %s cannot be", u.Port()), "give a port from 1 to 65535: 8883 is usual with TLS, 1883 without")
	case strings.Trim(u.Path, "/") != "" || u.RawQuery != "" || u.Fragment != "":
		wrong("broker", "the address has more than host and port", `give "mqtts://host:8883"; the topics are fixed`)
	case u.Scheme == "mqtt" && s.CAFile != "":
		wrong("ca_file", "ca_file is for TLS, and mqtt:// has none", "write mqtts:// in broker, or remove ca_file")
	}
}
