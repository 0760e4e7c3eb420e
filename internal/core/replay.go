package core

import (
	"context"
	"errors"
	"io"

	"chaffinch/canbus"
)

// Replay runs a log through the core to its end, or until ctx ends, and ends
// what is active. Each is
// called for every batch after the core has taken it, and may be nil.
func (c *Core) Replay(ctx context.Context, log *canbus.LogReader, each func([]canbus.Frame) error) error {
	batch := make([]canbus.Frame, 512)
	for {
		n, err := log.Read(batch)
		for i := range batch[:n] {
			c.Frame(&batch[i])
		}
		if each != nil {
			if err := each(batch[:n]); err != nil {
				return err
			}
		}
		switch {
		case errors.Is(err, io.EOF):
			c.Finish()
			return nil
		case err != nil:
			return err
		case ctx.Err() != nil:
			c.Finish()
			return ctx.Err()
		}
	}
}
