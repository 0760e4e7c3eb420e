package virtual

import "math"

// stream is a source of random numbers (splitmix64: Steele, Lea and Flood,
// 2014). It is written out here so that a seed means the same harvest with
// every release of Go. Each part of the combine has a stream of its own, so
// that a change in one leaves the others alone.
type stream struct {
	state uint64
	spare float64
	kept  bool
}

func newStream(seed uint64, part uint64) stream {
	return stream{state: mix(seed+0x9e3779b97f4a7c15) ^ mix(part*0xd1342543de82ef95+1)}
}

func mix(z uint64) uint64 {
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

func (s *stream) next() uint64 {
	s.state += 0x9e3779b97f4a7c15
	return mix(s.state)
}

// unit is uniform in [0, 1).
func (s *stream) unit() float64 { return float64(s.next()>>11) / (1 << 53) }

// between is uniform in [a, b).
func (s *stream) between(a, b float64) float64 { return a + (b-a)*s.unit() }

// normal is standard normal (polar method of Marsaglia and Bray, 1964).
func (s *stream) normal() float64 {
	if s.kept {
		s.kept = false
		return s.spare
	}
	for {
		u, v := 2*s.unit()-1, 2*s.unit()-1
		q := u*u + v*v
		if q == 0 || q >= 1 {
			continue
		}
		f := math.Sqrt(-2 * math.Log(q) / q)
		s.spare, s.kept = v*f, true
		return u * f
	}
}

// wander is noise with a memory (Ornstein-Uhlenbeck, stepped exactly): its
// standard deviation is sd, its correlation time tauS.
type wander struct{ x, keep, kick float64 }

func newWander(sd, tauS, stepS float64) wander {
	k := math.Exp(-stepS / tauS)
	return wander{keep: k, kick: sd * math.Sqrt(1-k*k)}
}

func (w *wander) step(s *stream) float64 {
	w.x = w.keep*w.x + w.kick*s.normal()
	return w.x
}

// smooth is a first-order lag.
type smooth struct{ y float64 }

func (f *smooth) step(x, stepS, tauS float64) float64 {
	f.y += (x - f.y) * stepS / (tauS + stepS)
	return f.y
}

// ground is a smooth random surface over the field with standard deviation 1:
// values on a square lattice, blended between. Neighbouring passes see nearly
// the same of it.
type ground struct {
	seed  uint64
	cellM float64
}

// blendSD is the standard deviation that blending leaves of a lattice of
// standard deviation 1 (the mean over a cell of the squared weights is 0.551).
const blendSD = 0.742

func (g ground) at(xM, yM float64) float64 {
	x, y := xM/g.cellM, yM/g.cellM
	ix, iy := math.Floor(x), math.Floor(y)
	u, v := ease(x-ix), ease(y-iy)
	i, j := int64(ix), int64(iy)
	a := g.node(i, j)*(1-u) + g.node(i+1, j)*u
	b := g.node(i, j+1)*(1-u) + g.node(i+1, j+1)*u
	return (a*(1-v) + b*v) / blendSD
}

func (g ground) node(i, j int64) float64 {
	h := mix(g.seed ^ mix(uint64(i)*0x8cb92ba72f3d8dd7+uint64(j)*0xd6e8feb86659fd93))
	return (float64(h>>11)/(1<<53) - 0.5) * 3.4641016151377544 // uniform, standard deviation 1
}

func ease(t float64) float64 { return t * t * (3 - 2*t) }

func clamp(x, lo, hi float64) float64 { return min(max(x, lo), hi) }
