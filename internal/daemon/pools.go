package daemon

import (
	"context"
	"fmt"

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
	for _, r := range known {
		if err := d.core.AddPool(r.Payload); err != nil {
			d.log.Warn("device descriptor pool cannot be used", "node", r.ID, "error", err)
		}
	}
}

// pool keeps a pool that was uploaded, for the runs in which it will not be.
func (d *Daemon) pool(seen core.PoolSeen) {
	if len(seen.Body) > store.MaxPool {
		return
	}
	err := d.writer.Put(context.Background(), store.Record{
		Kind: store.Pool, ID: fmt.Sprintf("%016X", uint64(seen.Name)), Phase: detect.Ended,
		At: d.core.Now(), Payload: append([]byte(nil), seen.Body...),
	})
	if err != nil {
		d.log.Error("device descriptor pool not stored", "error", err)
	}
}
