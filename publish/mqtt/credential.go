package mqtt

import (
	"bufio"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base32"
	"encoding/hex"
	"fmt"
	"io"
	"strings"

	"chaffinch/internal/problem"
)

// Credential lets one device in with one role. Of the password only a salted
// SHA-256 is kept. That suffices because passwords are made by NewCredential
// from 128 random bits: there is no guessing them, however fast the hash.
type Credential struct {
	Name string
	Role Role
	salt [16]byte
	hash [sha256.Size]byte
}

// NewCredential makes a credential and its password, which is shown once and
// never stored.
func NewCredential(name string, role Role) (c Credential, password string, err error) {
	if !nameable(name) {
		return Credential{}, "", fmt.Errorf("mqtt: credential: %q is not a name", name)
	}
	if _, ok := ParseRole(role.String()); !ok {
		return Credential{}, "", fmt.Errorf("mqtt: credential %s: no role %d", name, role)
	}
	var secret [16]byte
	rand.Read(secret[:]) // never fails (crypto/rand)
	c = Credential{Name: name, Role: role}
	rand.Read(c.salt[:])
	password = strings.ToLower(base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(secret[:]))
	c.hash = hashed(c.salt, password)
	return c, password, nil
}

// nameable keeps names to what a line of the file and a log can hold.
func nameable(name string) bool {
	for _, r := range name {
		if r <= ' ' || r > '~' {
			return false
		}
	}
	return name != "" && len(name) <= 64 && name[0] != '#'
}

func hashed(salt [16]byte, password string) [sha256.Size]byte {
	h := sha256.New()
	h.Write(salt[:])
	h.Write([]byte(password))
	return [sha256.Size]byte(h.Sum(nil))
}

// Line is the credential as a line of a credential file, without a line end:
// name, role, salt and hash.
func (c Credential) Line() string {
	return fmt.Sprintf("%s %s %x %x", c.Name, c.Role, c.salt, c.hash)
}

// ReadCredentials reads a credential file. Empty lines and lines that begin
// with # are skipped; the first wrong one is an error that names its number
// and repeats nothing of it.
func ReadCredentials(r io.Reader) ([]Credential, error) {
	var all []Credential
	seen := map[string]bool{}
	lines := bufio.NewScanner(r)
	for n := 1; lines.Scan(); n++ {
		line := strings.TrimSpace(lines.Text())
		if line == "" || line[0] == '#' {
			continue
		}
		c, ok := parseCredential(line)
		if !ok || seen[c.Name] {
			return nil, &problem.Problem{What: fmt.Sprintf("line %d of the credentials cannot be used", n),
				Try: "remove it and add the device again"}
		}
		seen[c.Name] = true
		all = append(all, c)
	}
	if err := lines.Err(); err != nil {
		return nil, fmt.Errorf("mqtt: read credentials: %w", err)
	}
	return all, nil
}

func parseCredential(line string) (Credential, bool) {
	f := strings.Fields(line)
	if len(f) != 4 || !nameable(f[0]) {
		return Credential{}, false
	}
	role, ok := ParseRole(f[1])
	salt, err1 := hex.DecodeString(f[2])
	hash, err2 := hex.DecodeString(f[3])
	c := Credential{Name: f[0], Role: role}
	if !ok || err1 != nil || err2 != nil || len(salt) != len(c.salt) || len(hash) != len(c.hash) {
		return Credential{}, false
	}
	copy(c.salt[:], salt)
	copy(c.hash[:], hash)
	return c, true
}

// role finds the role of a name and password, NoRole if they do not fit.
// Every credential is compared, in constant time, so that the time taken
// tells nothing about names or hashes.
func role(all []Credential, name, password string) Role {
	found := NoRole
	for _, c := range all {
		h := hashed(c.salt, password)
		fits := subtle.ConstantTimeCompare(h[:], c.hash[:]) & subtle.ConstantTimeCompare([]byte(name), []byte(c.Name))
		found = Role(subtle.ConstantTimeSelect(fits, int(c.Role), int(found)))
	}
	return found
}
