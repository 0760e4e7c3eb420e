package virtual

import "math"

// Where the make-believe field lies; any place would do.
const (
	originLatitude  = 50.6
	originLongitude = 14.2
	metresPerDegree = 111320.0
)

// field is the ground and the crop under the machine. Passes run along x;
// each lies one header width further in y, so that neighbours share most of
// their crop.
type field struct {
	x, y    float64 // m
	heading float64 // rad, counterclockwise from x, which points east

	hills      ground
	steep      float64 // m of height for standard deviation 1
	wide, near ground  // crop density: some hundred metres, some tens
	unevenWide float64
	unevenNear float64
	along      wander // and metre by metre along the track
	wet        ground

	density    float64 // of the crop here, 1 is its mean
	moistWhere float64 // what place adds to moisture, %
	heightM    float64
	grade      float64 // rise over run ahead
	crossGrade float64 // rise over run to the left
	resistance float64
}

const hillCellM = 260

func newField(s *Scenario, seed uint64) field {
	f := field{
		hills: ground{mix(seed ^ 11), hillCellM},
		wide:  ground{mix(seed ^ 12), 90}, near: ground{mix(seed ^ 13), 22},
		wet: ground{mix(seed ^ 14), 130},
		// The surface's slope has a standard deviation of about 1.6/cell per
		// unit of height.
		steep:      s.SlopePct / 100 * hillCellM / 1.6,
		unevenWide: 0.75 * s.Uneven, unevenNear: 0.55 * s.Uneven,
		along:      newWander(0.45*s.Uneven, 1.6, slowS),
		resistance: resistanceField,
		density:    1,
	}
	return f
}

func (f *field) height(x, y float64) float64 { return 120 + f.steep*f.hills.at(x, y) }

func (f *field) step(c *Combine) {
	turn := c.op.turnRate() // rad per m
	d := c.speedMS * slowS
	f.heading += turn * d
	f.x += d * math.Cos(f.heading)
	f.y += d * math.Sin(f.heading)

	dx, dy := math.Cos(f.heading), math.Sin(f.heading)
	f.heightM = f.height(f.x, f.y)
	f.grade = (f.height(f.x+4*dx, f.y+4*dy) - f.height(f.x-4*dx, f.y-4*dy)) / 8
	f.crossGrade = (f.height(f.x-3*dy, f.y+3*dx) - f.height(f.x+3*dy, f.y-3*dx)) / 6
	if c.op.onRoad() {
		f.resistance = resistanceRoad
	} else {
		f.resistance = resistanceField * (1 + 0.12*f.wet.at(f.x*0.7+900, f.y))
	}
	grain := 0.0
	if c.speedMS > 0.05 {
		grain = f.along.step(&c.cropNoise)
	}
	f.density = math.Exp(f.unevenWide*f.wide.at(f.x, f.y) + f.unevenNear*f.near.at(f.x, f.y) + grain - 0.5*(f.unevenWide*f.unevenWide+f.unevenNear*f.unevenNear))
	f.moistWhere = 0.5 * f.wet.at(f.x, f.y)
}

func (f *field) latitude() float64 { return originLatitude + f.y/metresPerDegree }
func (f *field) longitude() float64 {
	return originLongitude + f.x/(metresPerDegree*math.Cos(originLatitude*math.Pi/180))
}

// course is the compass heading in rad, 0 to 2 pi.
func (f *field) course() float64 {
	a := math.Mod(math.Pi/2-f.heading, 2*math.Pi)
	if a < 0 {
		a += 2 * math.Pi
	}
	return a
}

// dew is how damp the straw is through the day: 1 before dawn, 0 in the
// afternoon.
func dew(hour float64) float64 { return 0.5 * (1 + math.Cos(2*math.Pi*(hour-4)/24)) }
