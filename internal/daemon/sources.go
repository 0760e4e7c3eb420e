package daemon

import "fmt"

// noteSources logs from whom a signal comes now. The first source of all is no
// change.
func (d *Daemon) noteSources() {
	changes, n := d.core.SourceChanges(nil, d.sourceChanges)
	d.sourceChanges = n
	for _, c := range changes {
		if c.From.Route == 0 {
			continue
		}
		d.log.Info("signal comes from elsewhere now", "signal", c.Signal,
			"from", fmt.Sprintf("%s, address %02X", d.core.RouteName(c.From.Route), c.From.Address),
			"to", fmt.Sprintf("%s, address %02X", d.core.RouteName(c.To.Route), c.To.Address))
	}
}
