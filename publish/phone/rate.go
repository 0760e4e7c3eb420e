package phone

import (
	"net/netip"
	"sync"
	"time"
)

// pace is how often something may be done: burst times at once, perSecond for
// long.
type pace struct{ burst, perSecond float64 }

// mostBuckets bounds what is remembered; whoever comes beyond shares one bucket
// with all the others that do.
const mostBuckets = 256

// meter gives each caller a bucket of permits that fills with time.
type meter struct {
	pace pace
	mu   sync.Mutex
	all  map[string]*bucket
}

type bucket struct {
	permits float64
	at      time.Time
}

func newMeter(p pace) *meter { return &meter{pace: p, all: map[string]*bucket{}} }

// take takes a permit, and tells how long until there is one if there is none.
func (m *meter) take(caller string, now time.Time) (wait time.Duration, ok bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	b := m.all[caller]
	if b == nil {
		if len(m.all) >= mostBuckets {
			m.forgetFull(now)
		}
		if len(m.all) >= mostBuckets {
			caller = ""
			b = m.all[caller]
		}
		if b == nil {
			b = &bucket{permits: m.pace.burst, at: now}
			m.all[caller] = b
		}
	}
	b.permits = min(m.pace.burst, b.permits+max(0, now.Sub(b.at).Seconds())*m.pace.perSecond)
	b.at = now
	if b.permits < 1 {
		return time.Duration((1 - b.permits) / m.pace.perSecond * float64(time.Second)), false
	}
	b.permits--
	return 0, true
}

// forgetFull drops the buckets that are full again: they say nothing.
func (m *meter) forgetFull(now time.Time) {
	for caller, b := range m.all {
		if b.permits+now.Sub(b.at).Seconds()*m.pace.perSecond >= m.pace.burst {
			delete(m.all, caller)
		}
	}
}

// network is who an address stands for: itself, or the /64 that one device has
// to itself in IPv6.
func network(a netip.Addr) string {
	a = a.Unmap().WithZone("")
	if a.Is6() {
		p, err := a.Prefix(64)
		if err == nil {
			return p.String()
		}
	}
	return a.String()
}
