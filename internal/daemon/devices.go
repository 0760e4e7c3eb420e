package daemon

import (
	"bufio"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"

	"chaffinch/internal/config"
	"chaffinch/internal/problem"
	"chaffinch/publish/mqtt"
)

// Devices lists the clients that may use the broker inside, from the file beside
// the store. None is no error.
func Devices(cfg *config.Config) ([]mqtt.Credential, error) {
	file, err := os.Open(cfg.Store.Beside(credentialsFile))
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer file.Close()
	return mqtt.ReadCredentials(bufio.NewReader(file))
}

// AddDevice lets one more client in, and returns its password, which is kept
// nowhere. The daemon knows of it from its next start.
func AddDevice(cfg *config.Config, name string, role mqtt.Role) (password string, err error) {
	all, err := Devices(cfg)
	if err != nil {
		return "", err
	}
	if slices.ContainsFunc(all, func(c mqtt.Credential) bool { return c.Name == name }) {
		return "", &problem.Problem{What: fmt.Sprintf("there is a device %q already", name), Try: "forget it first, or give another name"}
	}
	c, password, err := mqtt.NewCredential(name, role)
	if err != nil {
		return "", &problem.Problem{What: fmt.Sprintf("%q cannot be the name of a device", name), Err: err,
			Try: "give up to 64 letters, digits and signs of ASCII, without spaces"}
	}
	return password, writeDevices(cfg, append(all, c))
}

// ForgetDevice lets a client in no more, from the daemon's next start.
func ForgetDevice(cfg *config.Config, name string) error {
	all, err := Devices(cfg)
	if err != nil {
		return err
	}
	rest := slices.DeleteFunc(slices.Clone(all), func(c mqtt.Credential) bool { return c.Name == name })
	if len(rest) == len(all) {
		return &problem.Problem{What: fmt.Sprintf("there is no device %q", name), Try: "see the list: chaffinch device list"}
	}
	return writeDevices(cfg, rest)
}

func writeDevices(cfg *config.Config, all []mqtt.Credential) error {
	var text strings.Builder
	text.WriteString("# clients of the broker inside: name, role, salt, hash\n")
	for _, c := range all {
		fmt.Fprintln(&text, c.Line())
	}
	return replaceFile(cfg.Store.Beside(credentialsFile), []byte(text.String()))
}
