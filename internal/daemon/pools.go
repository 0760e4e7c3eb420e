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

// pool keeps a pool that was uploaded, for the runs in which it will not be.
func (d *Daemon) pool(seen core.PoolSeen) {
	if len(seen.Body) > store.MaxPool {
		return
	}
	err := d.writer.Put(context.Background(), store.Record{
		Kind: store.Pool, ID: seen.ID, Phase: detect.Ended,
		At: d.core.Now(), Payload: slices.Clone(seen.Body),
	})
	if err != nil {
		d.log.Error("device descriptor pool not stored", "error", err)
	}
}
