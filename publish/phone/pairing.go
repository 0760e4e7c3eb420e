package phone

import (
	"crypto/subtle"
	"encoding/binary"
	"fmt"
	"io"
	"sync"
	"time"
)

const (
	// codeLife is how long a code can be used.
	codeLife = 10 * time.Minute
	// freeTries is how many wrong codes may be tried before there is a wait,
	// which doubles with each further one from firstWait to longestWait.
	freeTries   = 5
	firstWait   = 30 * time.Second
	longestWait = 10 * time.Minute
	// forgiven is how long after the last wrong code all is as at the start.
	forgiven = 6 * time.Hour
)

// pairing makes the codes that devices are paired with. There is one for each
// role at most. Of a million codes somebody who does not know them can try about
// nine in the ten minutes that one lives, whatever the number of his addresses.
type pairing struct {
	now    func() time.Time
	random io.Reader

	mu        sync.Mutex
	codes     [roleCount]code
	wrong     int
	lastWrong time.Time
}

type code struct {
	digits string // empty: none
	ends   time.Time
}

// current is the code for a role: the one that there is, or a new one.
func (p *pairing) current(role Role) (code, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if c := p.codes[role]; c.digits != "" && p.now().Before(c.ends) {
		return c, nil
	}
	for {
		digits, err := sixDigits(p.random)
		if err != nil {
			return code{}, err
		}
		if p.holder(digits) == NoRole {
			p.codes[role] = code{digits: digits, ends: p.now().Add(codeLife)}
			return p.codes[role], nil
		}
	}
}

// try uses up a code and tells its role. It is NoRole for a wrong code, and for
// any while nobody may try: wait is how long that is from now on.
func (p *pairing) try(digits string) (role Role, wait time.Duration, tried bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := p.now()
	if now.Sub(p.lastWrong) > forgiven {
		p.wrong = 0
	}
	if wait := p.lastWrong.Add(p.wait()).Sub(now); wait > 0 {
		return NoRole, wait, false
	}
	role = p.holder(digits)
	if role == NoRole {
		p.wrong++
		p.lastWrong = now
		return NoRole, p.wait(), true
	}
	p.codes[role], p.wrong = code{}, 0
	return role, 0, true
}

// holder is the role whose code this is. All are compared, in constant time.
func (p *pairing) holder(digits string) Role {
	found := NoRole
	for r := Look; r < roleCount; r++ {
		c := p.codes[r]
		if c.digits == "" || !p.now().Before(c.ends) {
			continue
		}
		same := subtle.ConstantTimeCompare([]byte(c.digits), []byte(digits))
		found = Role(subtle.ConstantTimeSelect(same, int(r), int(found)))
	}
	return found
}

func (p *pairing) wait() time.Duration {
	if p.wrong < freeTries {
		return 0
	}
	return min(firstWait<<min(p.wrong-freeTries, 10), longestWait)
}

// sixDigits are as likely as any other six.
func sixDigits(random io.Reader) (string, error) {
	const many = 1_000_000
	var b [4]byte
	for {
		if _, err := io.ReadFull(random, b[:]); err != nil {
			return "", fmt.Errorf("phone: pairing code: %w", err)
		}
		if n := binary.LittleEndian.Uint32(b[:]); n < (1<<32)/many*many {
			return fmt.Sprintf("%06d", n%many), nil
		}
	}
}
