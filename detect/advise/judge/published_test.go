package judge

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"chaffinch/internal/outside"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.15g, want %.15g within %g", what, got, want, tolerance)
	}
}

// sample is the mean of independent readings.
func sample(x []float64) mean {
	m, sd := spread(x)
	return mean{m, sd / math.Sqrt(float64(len(x))), float64(len(x) - 1)}
}

// Student's hours of sleep and NIST's cars (see the README of the data).
func TestWelchAgainstPublishedExamples(t *testing.T) {
	var hours [3][]float64
	for _, row := range outside.Statistics(t, "welch_sleep.csv") {
		g := int(outside.Number(t, row["group"]))
		hours[g] = append(hours[g], outside.Number(t, row["extra"]))
	}
	d := difference(sample(hours[2]), sample(hours[1]))
	near(t, "sleep: t", d.value/d.se, -1.8608134675, 1e-9)
	near(t, "sleep: degrees of freedom", d.df, 17.7764735162, 1e-9)
	near(t, "sleep: p", d.p(), 0.0793941402, 1e-9)
	wide := student(0.05, d.df) * d.se
	near(t, "sleep: interval, low", d.value-wide, -3.3654832, 1e-6)
	near(t, "sleep: interval, high", d.value+wide, 0.2054832, 1e-6)

	var cars []mean
	for _, row := range outside.Statistics(t, "welch_nist_auto83b_summary.csv") {
		n := outside.Number(t, row["n"])
		cars = append(cars, mean{outside.Number(t, row["mean"]), outside.Number(t, row["sd"]) / math.Sqrt(n), n - 1})
	}
	d = difference(cars[1], cars[0])
	near(t, "cars: t", d.value/d.se, -12.94627, 1e-5)
	near(t, "cars: degrees of freedom", d.df, 136.8750, 1e-4)
}

// Correct digits that double precision can give: the numbers of the last sets
// are themselves rounded (NIST Statistical Reference Datasets).
func TestMomentsAgainstNIST(t *testing.T) {
	digits := map[string]float64{"lew": 14, "lottery": 14, "mavro": 11, "michelso": 11,
		"numacc1": 15, "numacc2": 11, "numacc3": 9, "numacc4": 8}
	for _, set := range outside.Statistics(t, "strd_certified.csv") {
		name := set["dataset"]
		var x []float64
		for _, row := range outside.Statistics(t, "strd_"+name+".csv") {
			x = append(x, outside.Number(t, row["y"]))
		}
		m, sd := spread(x)
		certified, certifiedSD := outside.Number(t, set["mean"]), outside.Number(t, set["sd_n_minus_1"])
		near(t, name+": mean", m, certified, 1e-14*math.Abs(certified))
		near(t, name+": standard deviation", sd, certifiedSD, math.Pow(10, -digits[name])*certifiedSD)
		for i := range x {
			x[i] -= m
		}
		near(t, name+": autocorrelation", lag1(x), outside.Number(t, set["lag1_autocorrelation"]), 1e-7)
	}
}

// The slope of a line (NIST Statistical Reference Datasets, Norris).
func TestSlopeAgainstNIST(t *testing.T) {
	var x, y []float64
	for _, row := range outside.Statistics(t, "strd_norris.csv") {
		x, y = append(x, outside.Number(t, row["x"])), append(y, outside.Number(t, row["y"]))
	}
	tt, ty := lean(y, x)
	for _, row := range outside.Statistics(t, "strd_linear_certified.csv") {
		if row["parameter"] == "B1" {
			near(t, "slope", ty/tt, outside.Number(t, row["estimate"]), 1e-11)
			return
		}
	}
	t.Error("no certified slope")
}

// How often a test at 5 % says "changed" where nothing did, against a table
// that was computed elsewhere (before_after_rejection_rates.csv): the ordinary
// test, the one on an effective number of readings, and the one on blocks. The
// last column is ours: the slowest cosines.
func TestFalseVerdictsOfTests(t *testing.T) {
	want := map[string]float64{}
	for _, row := range outside.Statistics(t, "before_after_rejection_rates.csv") {
		want[row["setting"]+" "+row["test"]] = outside.Number(t, row["reject_fraction_at_5pct"])
	}
	const seed = 17
	r := rand.New(rand.NewPCG(seed, 0))
	t.Logf("seed %d, %d runs", seed, 2**runs)
	for _, phi := range []float64{0, 0.5, 0.8, 0.95} {
		for _, c := range []struct{ n, block int }{{60, 10}, {300, 50}, {600, 60}} {
			var naive, neff, blocks, cosine int
			a, b := make([]float64, c.n), make([]float64, c.n)
			for range 2 * *runs {
				v := r.NormFloat64()
				for i := range 2 * c.n {
					v = phi*v + math.Sqrt(1-phi*phi)*r.NormFloat64()
					if i < c.n {
						a[i] = v
					} else {
						b[i-c.n] = v
					}
				}
				naive += rejects(sample(a), sample(b))
				neff += rejects(effective(a, b))
				blocks += rejects(sample(blockMeans(a, c.block)), sample(blockMeans(b, c.block)))
				k := max(cosines(c.n, -1/math.Log(max(phi, 0.001))), 2)
				cosine += rejects(slow(a, k), slow(b, k))
			}
			setting := fmt.Sprintf("phi %.2f nb %d ", phi, c.n)
			line := setting
			for _, got := range []struct {
				test string
				n    int
			}{{"welch naive", naive}, {"welch neff", neff}, {fmt.Sprintf("welch block%d (m=%d)", c.block, c.n/c.block), blocks}} {
				published, ok := want[setting+got.test]
				if !ok {
					t.Fatalf("no row %q", setting+got.test)
				}
				rate := float64(got.n) / float64(2**runs)
				se := math.Sqrt(published * (1 - published) * (1/float64(2**runs) + 1.0/2000))
				// The effective number is estimated, and one may do that in several ways:
				// what must be is that it is near 5 %.
				slack := 0.0
				if got.test == "welch neff" {
					slack = 0.02
				}
				near(t, setting+got.test, rate, published, 3.5*se+slack)
				line += fmt.Sprintf("  %s %.3f (%.3f)", got.test, rate, published)
			}
			rate := float64(cosine) / float64(2**runs)
			t.Logf("%s  cosines %.3f", line, rate)
			if limit := 0.06 + 3*math.Sqrt(0.05*0.95/float64(2**runs)); rate > limit && c.n >= 300 {
				t.Errorf("%s cosines reject %.3f, want at most %.3f", setting, rate, limit)
			}
		}
	}
}

func rejects(a, b mean) int {
	if difference(a, b).p() < 0.05 {
		return 1
	}
	return 0
}

// effective takes both stretches as n(1-phi)/(1+phi) independent readings.
func effective(a, b []float64) (mean, mean) {
	ma, sa := spread(a)
	mb, sb := spread(b)
	ca, cb := minus(a, ma), minus(b, mb)
	n := float64(len(a))
	phi := lag1(ca, cb)
	phi = min(max((phi+1/n)/(1-3/n), 0), 0.99) // its bias: Kendall, Biometrika 41, 1954
	size := n * (1 - phi) / (1 + phi)
	return mean{ma, sa / math.Sqrt(size), max(size-1, 1)}, mean{mb, sb / math.Sqrt(size), max(size-1, 1)}
}

// slow is the mean with the variance of its b slowest cosines.
func slow(x []float64, b int) mean {
	m, _ := spread(x)
	return mean{m, math.Sqrt(longRun(minus(x, m), b) / float64(len(x))), float64(b)}
}

func minus(x []float64, m float64) []float64 {
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = v - m
	}
	return y
}

func blockMeans(x []float64, n int) []float64 {
	var means []float64
	for i := 0; i+n <= len(x); i += n {
		m, _ := spread(x[i : i+n])
		means = append(means, m)
	}
	return means
}

// H110: two points of a wheat field, loss over speed, are a power of 1.5.
func TestExponentAgainstPublished(t *testing.T) {
	p := outside.PublishedRow(t, "H110")
	var w series
	for _, point := range [][2]string{{"v1_kmh", "loss1_pct"}, {"v2_kmh", "loss2_pct"}} {
		for range 4 {
			w.feed = append(w.feed, p.In[point[0]])
			w.y = append(w.y, p.In[point[1]])
		}
	}
	near(t, p.ID, exponent([2]series{w, w}), p.Want, p.Tolerance)
}
