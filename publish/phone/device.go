package phone

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"
)

// Keep loads and saves what must outlive the program, by name: nil where there
// is nothing yet. What is saved holds secrets or their hashes and is for the
// program's own user alone. A zero Keep keeps nothing.
type Keep struct {
	Load func(name string) ([]byte, error)
	Save func(name string, data []byte) error
}

// Names of what is kept.
const (
	KeptDevices     = "phones"
	KeptCertificate = "phone-certificate"
)

func (k Keep) load(name string) ([]byte, error) {
	if k.Load == nil {
		return nil, nil
	}
	return k.Load(name)
}

func (k Keep) save(name string, data []byte) error {
	if k.Save == nil {
		return nil
	}
	return k.Save(name, data)
}

const (
	// mostDevices is how many may be paired; one more takes the place of the one
	// that was not used for longest.
	mostDevices = 32
	tokenBytes  = 32
	longestName = 40 // letters
)

// device is a paired one. But for seen its fields never change.
type device struct {
	id     string
	name   string
	role   Role
	hash   [sha256.Size]byte
	paired *time.Time // nil where the clock was not set
	seen   *time.Time
	gone   chan struct{} // closed when it is forgotten
}

// devices are those that are paired, with the longest unused first. Of a token
// only its SHA-256 is kept: it has 256 random bits, which no salt or slow hash
// can make harder to guess.
type devices struct {
	keep   Keep
	random io.Reader
	log    *slog.Logger

	mu     sync.Mutex
	all    []*device
	byHash map[[sha256.Size]byte]*device

	saving sync.Mutex // so that the newest is saved last
}

// keptDevice is a device as it is saved.
type keptDevice struct {
	ID     string     `json:"id"`
	Name   string     `json:"name"`
	Role   string     `json:"role"`
	SHA256 string     `json:"sha256"`
	Paired *time.Time `json:"paired"`
	Seen   *time.Time `json:"seen"`
}

type keptDevices struct {
	V       int          `json:"v"`
	Devices []keptDevice `json:"devices"`
}

// loadDevices takes up those that were paired before. What cannot be read is
// told, and those devices must be paired again.
func loadDevices(keep Keep, random io.Reader, log *slog.Logger) *devices {
	d := &devices{keep: keep, random: random, log: log, byHash: map[[sha256.Size]byte]*device{}}
	text, err := keep.load(KeptDevices)
	if err == nil && text != nil {
		err = d.parse(text)
	}
	if err != nil {
		d.all = nil
		clear(d.byHash)
		log.Error("paired phones cannot be read: they must be paired again", "error", err)
	}
	return d
}

func (d *devices) parse(text []byte) error {
	var kept keptDevices
	if err := json.Unmarshal(text, &kept); err != nil {
		return fmt.Errorf("phone: paired devices: %w", err)
	}
	if kept.V != 1 || len(kept.Devices) > mostDevices {
		return fmt.Errorf("phone: paired devices: version %d with %d devices", kept.V, len(kept.Devices))
	}
	for i, k := range kept.Devices {
		role, ok := ParseRole(k.Role)
		hash, err := hex.DecodeString(k.SHA256)
		if !ok || err != nil || len(hash) != sha256.Size || k.ID == "" {
			return fmt.Errorf("phone: paired devices: the %d. cannot be used", i+1)
		}
		d.add(&device{id: k.ID, name: cleanName(k.Name), role: role, hash: [sha256.Size]byte(hash),
			paired: k.Paired, seen: k.Seen, gone: make(chan struct{})})
	}
	return nil
}

func (d *devices) add(one *device) {
	d.all = append(d.all, one)
	d.byHash[one.hash] = one
}

// pair makes a device known and returns its token, which is told once and never
// kept.
func (d *devices) pair(name string, role Role, date *time.Time) (token string, one *device, err error) {
	var secret [tokenBytes]byte
	var id [6]byte
	for _, b := range [][]byte{secret[:], id[:]} {
		if _, err := io.ReadFull(d.random, b); err != nil {
			return "", nil, fmt.Errorf("phone: token: %w", err)
		}
	}
	token = base64.RawURLEncoding.EncodeToString(secret[:])
	one = &device{id: hex.EncodeToString(id[:]), name: cleanName(name), role: role, hash: sha256.Sum256([]byte(token)),
		paired: date, seen: date, gone: make(chan struct{})}
	d.mu.Lock()
	if len(d.all) >= mostDevices {
		d.remove(0)
	}
	d.add(one)
	d.mu.Unlock()
	d.save()
	return token, one, nil
}

// find is the device of a token, or nil. It counts as used.
func (d *devices) find(token string, date *time.Time) *device {
	if len(token) != base64.RawURLEncoding.EncodedLen(tokenBytes) {
		return nil
	}
	hash := sha256.Sum256([]byte(token))
	d.mu.Lock()
	one := d.byHash[hash]
	anotherDay := false
	if one != nil {
		if i := slices.Index(d.all, one); i < len(d.all)-1 {
			d.all = append(slices.Delete(d.all, i, i+1), one)
		}
		if date != nil && (one.seen == nil || date.Sub(*one.seen).Abs() >= 24*time.Hour) {
			one.seen, anotherDay = date, true
		}
	}
	d.mu.Unlock()
	if anotherDay {
		d.save()
	}
	return one
}

// forget takes a device's rights and ends what it has open.
func (d *devices) forget(id string) bool {
	d.mu.Lock()
	i := slices.IndexFunc(d.all, func(one *device) bool { return one.id == id })
	if i >= 0 {
		d.remove(i)
	}
	d.mu.Unlock()
	if i < 0 {
		return false
	}
	d.save()
	return true
}

func (d *devices) remove(i int) {
	close(d.all[i].gone)
	delete(d.byHash, d.all[i].hash)
	d.all = slices.Delete(d.all, i, i+1)
}

// anyMay tells whether a device of this role is paired.
func (d *devices) anyMay(role Role) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return slices.ContainsFunc(d.all, func(one *device) bool { return one.role >= role })
}

// list is what is kept, the longest unused first.
func (d *devices) list() []keptDevice {
	d.mu.Lock()
	defer d.mu.Unlock()
	out := make([]keptDevice, len(d.all))
	for i, one := range d.all {
		out[i] = keptDevice{ID: one.id, Name: one.name, Role: one.role.String(), SHA256: hex.EncodeToString(one.hash[:]), Paired: one.paired, Seen: one.seen}
	}
	return out
}

func (d *devices) save() {
	d.saving.Lock()
	defer d.saving.Unlock()
	text, err := json.Marshal(keptDevices{V: 1, Devices: d.list()})
	if err == nil {
		err = d.keep.save(KeptDevices, text)
	}
	if err != nil {
		d.log.Error("paired phones are not kept: they must be paired again after the next start", "error", err)
	}
}

// cleanName is a name that a log and a page can hold.
func cleanName(name string) string {
	name = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r == '\uFFFD' {
			return -1
		}
		return r
	}, name)
	letters := []rune(strings.TrimSpace(name))
	if len(letters) > longestName {
		letters = letters[:longestName]
	}
	if len(letters) == 0 {
		return "a phone"
	}
	return string(letters)
}
