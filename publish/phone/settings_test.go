package phone

import "testing"

func TestSettingsValidate(t *testing.T) {
	for _, c := range []struct {
		listen string
		good   bool
	}{
		{DefaultSettings().Listen, true}, {"", true}, {"192.168.7.1:8080", true}, {"[::1]:80", true},
		{"8080", false}, {":0", false}, {":65536", false}, {"host:", false}, {"http://host:80", false},
	} {
		if got := (Settings{Listen: c.listen}).Validate(); (len(got) == 0) != c.good {
			t.Errorf("listen = %q: %v", c.listen, got)
		}
	}
}

func TestSettingsOfEncryption(t *testing.T) {
	for _, c := range []struct {
		name      string
		s         Settings
		encrypted bool
		wrong     string // key of the one mistake
	}{
		{"none", Settings{}, false, ""},
		{"generated", Settings{TLS: "generated"}, true, ""},
		{"own", Settings{CertFile: "/etc/a.pem", KeyFile: "/etc/b.pem"}, true, ""},
		{"key forgotten", Settings{CertFile: "/etc/a.pem"}, true, "phone.key_file"},
		{"certificate forgotten", Settings{KeyFile: "/etc/b.pem"}, false, "phone.cert_file"},
		{"not a full path", Settings{CertFile: "a.pem", KeyFile: "/etc/b.pem"}, true, "phone.cert_file"},
		{"another word", Settings{TLS: "yes"}, false, "phone.tls"},
		{"a name with a port", Settings{Hosts: []string{"combine:8080"}}, false, "phone.hosts"},
		{"any name", Settings{Hosts: []string{"*"}}, false, "phone.hosts"},
	} {
		got := c.s.Validate()
		if c.s.Encrypted() != c.encrypted || c.wrong == "" && len(got) > 0 || c.wrong != "" && (len(got) != 1 || got[0].Key != c.wrong || got[0].Try == "") {
			t.Errorf("%s: encrypted %t, %v", c.name, c.s.Encrypted(), got)
		}
	}
	if got := (Settings{TLS: "generated", CertFile: "/a", KeyFile: "/b"}).Validate(); len(got) != 2 {
		t.Errorf("both: %v", got)
	}
}
