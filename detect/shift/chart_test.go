package shift

import (
	"bytes"
	"testing"

	"pgregory.net/rapid"
)

// inside tells whether a point is in a triangle, by the signs of three areas: not
// the way in which the chart does it.
func inside(p, a, b, c point) (in, edge bool) {
	side := func(a, b point) float64 { return (b.X-a.X)*(p.Y-a.Y) - (b.Y-a.Y)*(p.X-a.X) }
	x, y, z := side(a, b), side(b, c), side(c, a)
	const eps = 1e-6
	return x > 0 && y > 0 && z > 0 || x < 0 && y < 0 && z < 0, min(x*x, y*y, z*z) < eps
}

// Cell by cell, the chart marks what lies in the two triangles of a piece of a
// swath, and counts no cell twice.
func TestTheChartMarksWhatLiesInside(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := newChart()
		draw := func(name string) point {
			return point{rapid.Float64Range(-150, 150).Draw(t, name+" x"), rapid.Float64Range(-150, 150).Draw(t, name+" y")}
		}
		left, right, nextLeft, nextRight := draw("left"), draw("right"), draw("next left"), draw("next right")
		fresh, ok := c.cut(1, left, right, nextLeft, nextRight)
		if !ok {
			t.Fatal("no room")
		}
		marked := 0
		for y := -152; y < 152; y++ {
			for x := -152; x < 152; x++ {
				p := point{float64(x) + 0.5 - gridM, float64(y) + 0.5 - gridM}
				in1, edge1 := inside(p, left, right, nextRight)
				in2, edge2 := inside(p, left, nextRight, nextLeft)
				is := false
				if i, there := c.index[place{1, int32(x) >> 6, int32(y) >> 6}]; there {
					is = c.tiles[i].rows[y&63]>>(x&63)&1 == 1
				}
				if is {
					marked++
				}
				if !edge1 && !edge2 && is != (in1 || in2) {
					t.Fatalf("cell %d, %d is marked %t", x, y, is)
				}
			}
		}
		if marked != fresh {
			t.Fatalf("%d marked, %d counted", marked, fresh)
		}
		if again, _ := c.cut(1, left, right, nextLeft, nextRight); again != 0 {
			t.Fatalf("%d were new again", again)
		}
		if other, _ := c.cut(2, left, right, nextLeft, nextRight); other != fresh {
			t.Fatalf("%d in another field, %d in the first", other, fresh)
		}
		back, err := unpack(c.pack())
		if err != nil || len(back.tiles) != len(c.tiles) {
			t.Fatalf("%v; %d tiles of %d", err, len(back.tiles), len(c.tiles))
		}
		for i := range c.tiles {
			if back.tiles[i] != c.tiles[i] {
				t.Fatalf("tile %d differs", i)
			}
		}
	})
}

func TestTheChartIsBounded(t *testing.T) {
	c := newChart()
	full := false
	for i := 0; i < 2*maxTiles && !full; i++ {
		x := float64(i * tileSide)
		_, ok := c.cut(1, point{x, 0}, point{x, 10}, point{x + 2, 0}, point{x + 2, 10})
		full = !ok
	}
	if !full || len(c.tiles) != maxTiles {
		t.Errorf("full %t with %d tiles", full, len(c.tiles))
	}
	for name, p := range map[string]point{"far": {1e9, 1e9}, "large": {0, 1e5}} {
		if n, ok := newChart().cut(1, point{}, point{1, 1}, p, p); ok && n > 2*maxCells*maxCells {
			t.Errorf("%s: %d cells", name, n)
		}
	}
}

// A field of 100 ha fits into what is stored of a chart.
func TestALargeFieldFitsIntoMemory(t *testing.T) {
	d := newDriver(ownWidth(12))
	for i := range 83 {
		y := float64(i) * 12
		c := d.chartOf()
		// On land that lies askew: the worst for rows of cells.
		at := func(x, y float64) point { return point{0.8*x - 0.6*y, 0.6*x + 0.8*y} }
		c.cut(1, at(0, y), at(0, y+12), at(1000, y), at(1000, y+12))
	}
	c := d.chartOf()
	packed := c.pack()
	t.Logf("%d tiles, %d bytes", len(c.tiles), len(packed))
	if len(packed) == 0 || len(packed) > maxChart/2 {
		t.Errorf("%d bytes", len(packed))
	}
}

func (d *driver) chartOf() *chart { return d.acc.chart }

func FuzzUnpack(f *testing.F) {
	c := newChart()
	c.cut(1, point{0, 0}, point{0, 10}, point{200, 0}, point{200, 10})
	f.Add(c.pack())
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, packed []byte) {
		c, err := unpack(packed)
		if err != nil || len(c.tiles) == 0 {
			return
		}
		again := c.pack()
		back, err := unpack(again)
		if err != nil || !bytes.Equal(back.pack(), again) {
			t.Errorf("%v", err)
		}
	})
}
