package virtual

import (
	"testing"

	"chaffinch/internal/outside"
)

// H016: a tank of so many m3 at so much a flow.
func TestTankAgainstPublished(t *testing.T) {
	p := outside.PublishedRow(t, "H016")
	c := Combine{model: Model{TankM3: p.In["tank_m3"]}, crop: Crop{KGPerM3: p.In["density_kg_m3"]}}
	near(t, p.ID, c.tankFullT()/p.In["grain_t_h"]*60, p.Want, p.Tolerance)
}

// The speed of the threshing bars, published for cylinders of several sizes: in
// ft/min (NDSU EB-25) and in m/s (Harrison, 1975).
func TestBarSpeedAgainstPublished(t *testing.T) {
	for _, id := range []string{"H073", "H074", "H075", "H076", "H077", "H078", "H079"} {
		p := outside.PublishedRow(t, id)
		if inches, ok := p.In["dia_in"]; ok {
			near(t, id, radPerS(p.In["rpm"])*inches*0.0254/2/0.3048*60, p.Want, p.Tolerance)
			continue
		}
		near(t, id, radPerS(p.In["rpm"])*p.In["dia_m"]/2, p.Want, p.Tolerance)
	}
}
