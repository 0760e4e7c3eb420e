package daemon

import (
	"context"
	"slices"

	"chaffinch/detect"
	"chaffinch/internal/core"
	"chaffinch/store"
)

// loadPools gives the core the device descriptor pools of earlier runs.
func (d *Daemon) loadPools(s *store.Store) {
	known, err := s.Latest(store.Pool, store.Key{})
	if err != nil {
		d.log.Error("cannot read what is known of the machine's nodes", "error", err)
		return
	}
	bodies := make([][]byte, len(known))
	for i, r := range known {
		bodies[i] = r.Payload
	}
	if err := d.core.AddPools(bodies); err != nil {
		d.log.Warn("a device descriptor pool cannot be used", "error", err)
	}
}

// pool keeps what was learned of a pool, for the runs in which it will not be
// told. No bus has more to tell in a run than the store keeps, so that none can
// wear out the disk. A store that does not write must not hold up the core.
func (d *Daemon) pool(seen core.PoolSeen) {
	if len(seen.Body) > store.MaxPool || d.poolsKept >= store.MaxPools {
		return
	}
	d.poolsKept++
	patience, cancel := context.WithTimeout(context.Background(), fullQueue)
	defer cancel()
	err := d.writer.Put(patience, store.Record{
		Kind: store.Pool, ID: seen.ID, Phase: detect.Ended,
		At: d.core.Now(), Payload: slices.Clone(seen.Body),
	})
	if err != nil {
		d.log.Error("device descriptor pool not stored", "error", err)
	}
}
