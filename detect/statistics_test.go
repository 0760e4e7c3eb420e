package detect

import (
	"math"
	"math/rand/v2"
	"strconv"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
	"chaffinch/internal/outside"
)

// The worked examples of two textbooks and a handbook, line by line: sums, run
// counters and the first signal, of both sides. Our sum is bounded at four times
// the limit, which the last lines of the first example exceed.
func TestCusumAgainstPublishedExamples(t *testing.T) {
	for _, c := range []struct {
		file, up, down, upRun, downRun string
		target, k, h                   float64
		first                          int // line of the first signal, 0 for none
	}{
		{"nist_cusum.csv", "s_hi", "s_lo", "", "", 325, 0.3175, 4.1959, 14},
		{"montgomery_runger_cusum.csv", "s_hi", "s_lo", "n_hi", "n_lo", 99, 1, 10, 0},
		{"montgomery_t9_1.csv", "c_plus", "c_minus", "n_plus", "n_minus", 10, 0.5, 5, 29},
	} {
		up, down, first := cusum{k: c.k, h: c.h}, cusum{k: c.k, h: c.h}, 0
		for i, row := range outside.Statistics(t, c.file) {
			x := outside.Number(t, row["x"]) - c.target
			found := up.add(x)
			found = down.add(-x) || found
			if found && first == 0 {
				first = i + 1
			}
			for _, side := range []struct {
				got  *cusum
				want string
				run  string
			}{{&up, row[c.up], row[c.upRun]}, {&down, row[c.down], row[c.downRun]}} {
				if want := min(outside.Number(t, side.want), sumCap*c.h); math.Abs(side.got.sum-want) > 1e-9 {
					t.Errorf("%s line %d: sum %.6f, want %.6f", c.file, i+1, side.got.sum, want)
				}
				if side.run != "" && side.run != strconv.Itoa(side.got.run) {
					t.Errorf("%s line %d: run %d, want %s", c.file, i+1, side.got.run, side.run)
				}
			}
		}
		if first != c.first {
			t.Errorf("%s: first signal at line %d, want %d", c.file, first, c.first)
		}
	}
}

// Average run lengths of independent noise against the published tables, within
// four standard errors and the half of the last printed digit.
func TestCusumRunLengths(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	checked := 0
	for _, row := range outside.Statistics(t, "arl_published_cusum.csv") {
		two := row["scheme"] == "cusum_two_sided"
		k, shift, want := outside.Number(t, row["k"]), outside.Number(t, row["shift_sigma"]), outside.Number(t, row["arl_recomputed"])
		if !two && row["scheme"] != "cusum_one_sided" || outside.Number(t, row["headstart"]) != 0 {
			continue
		}
		runs := int(min(3000, 600_000/want))
		var sum, square float64
		for range runs {
			up, down := cusum{k: k, h: outside.Number(t, row["h"])}, cusum{k: k, h: outside.Number(t, row["h"])}
			n := 0
			for found := false; !found; n++ {
				z := rng.NormFloat64() + shift
				found = up.add(z)
				if two {
					found = down.add(-z) || found
				}
			}
			sum += float64(n)
			square += float64(n) * float64(n)
		}
		mean := sum / float64(runs)
		se := math.Sqrt((square/float64(runs) - mean*mean) / float64(runs))
		if math.Abs(mean-want) > 4*se+0.005*want {
			t.Errorf("%s k %g h %s shift %g: run length %.2f (se %.2f), want %.2f", row["scheme"], k, row["h"], shift, mean, se, want)
		}
		checked++
	}
	if checked < 20 {
		t.Errorf("only %d rows were checked", checked)
	}
}

// The limit for correlated noise against the simulated table: two-sided, k 1.5,
// one-second means, one false alarm in 432,000 s.
func TestLimitForCorrelatedNoise(t *testing.T) {
	checked := 0
	for _, row := range outside.Statistics(t, "ou_cusum_seconds.csv") {
		if row["reduction"] != "block" || outside.Number(t, row["step_s"]) != 1 || outside.Number(t, row["k_sigma"]) != 1.5 {
			continue
		}
		tau, want := outside.Number(t, row["tau_s"]), outside.Number(t, row["H_sigma_seconds"])
		// Two sides at this rate are one side at half of it.
		if got := limitFor(tau, 2*432000); math.Abs(got/want-1) > 0.1 {
			t.Errorf("tau %g s: limit %.2f, the table has %.2f", tau, got, want)
		}
		checked++
	}
	if checked < 3 {
		t.Errorf("only %d rows", checked)
	}
	// And the rate that it is for, in noise of our own: means of one second of ten
	// readings. Some 60 alarms are counted, so a third less is still in order.
	const tau, t0, seconds = 2.0, 43_200.0, 2_500_000
	rng := rand.New(rand.NewPCG(3, 4))
	c := cusum{k: 1.5, h: limitFor(tau, t0)}
	phi, x, alarms := math.Exp(-0.1/tau), 0.0, 0
	kick := math.Sqrt(1 - phi*phi)
	for range seconds {
		mean := 0.0
		for range 10 {
			x = phi*x + kick*rng.NormFloat64()
			mean += x / 10
		}
		if c.add(mean) {
			alarms++
			c.clear()
		}
	}
	if every := seconds / float64(max(alarms, 1)); every < 0.67*t0 || every > 2*t0 {
		t.Errorf("a false alarm every %.0f s (%d in all), designed for %.0f", every, alarms, t0)
	}
}

// Runs of our dwell over a limit in correlated noise against the simulated table.
func TestDwellAgainstTable(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	const samples = 1_000_000
	checked := 0
	for _, phi := range []float64{0, 0.8} {
		x := 0.0
		noise := make([]float64, samples)
		for i := range noise {
			x = phi*x + math.Sqrt(1-phi*phi)*rng.NormFloat64()
			noise[i] = x
		}
		for _, row := range outside.Statistics(t, "dwell_rates.csv") {
			if outside.Number(t, row["phi"]) != phi {
				continue
			}
			n, want := outside.Number(t, row["min_run_samples"]), outside.Number(t, row["runs_per_sample"])*samples
			if want < 200 {
				continue
			}
			limit, runs, counted := outside.Number(t, row["threshold_sigma"]), 0, false
			var d dwell
			for i, v := range noise {
				now := signal.Instant(i) * signal.Instant(time.Second)
				d.step(now, v > limit, 0)
				if !d.held {
					counted = false
				}
				if d.lasts(now, time.Duration(n-1)*time.Second) && !counted {
					runs++
					counted = true
				}
			}
			if tolerance := 5*math.Sqrt(want) + 0.02*want; math.Abs(float64(runs)-want) > tolerance {
				t.Errorf("phi %g, over %g for %g samples: %d runs, want %.0f", phi, limit, n, runs, want)
			}
			checked++
		}
	}
	if checked < 10 {
		t.Errorf("only %d rows were checked", checked)
	}
}

type mute struct{}

func (mute) tell(*Event, *alarm, *machine.State) {}

// A level that sits on its limit with noise correlated over 2 s: the life of an
// alarm with 5 s of delay both ways and a margin of 1 standard deviation is
// begun 3.4 times an hour in the table; here through the desk that raises all
// alarms.
func TestChatterAgainstTable(t *testing.T) {
	var want float64
	for _, row := range outside.Statistics(t, "chatter_rates.csv") {
		if outside.Number(t, row["phi"]) == 0.95 && outside.Number(t, row["fs_hz"]) == 10 && outside.Number(t, row["deadband_sigma"]) == 1 && outside.Number(t, row["on_and_off_delay_s"]) == 5 {
			want = outside.Number(t, row["activations_per_hour_mean_at_threshold"])
		}
	}
	if want == 0 || kinds[engineOverload].Off != 5*time.Second {
		t.Fatal("the row is gone, or the off-delay is another")
	}
	const hours = 120
	rng := rand.New(rand.NewPCG(7, 8))
	a, d, s := newAlarm(engineOverload, "", ""), desk{}, machine.State{}
	var over dwell
	x, raised := 0.0, 0
	for i := range hours * 36000 {
		x = 0.95*x + math.Sqrt(1-0.95*0.95)*rng.NormFloat64()
		s.Now = signal.Instant(i+1) * signal.Instant(machine.Period)
		over.step(s.Now, x > 0, 0)
		f := finding{verdict: clear, priority: Medium, value: x}
		switch {
		case x > 0:
			f.verdict, f.ready = met, over.lasts(s.Now, 5*time.Second-machine.Period)
		case a.phase != quiet && x > -1:
			f.verdict = met
		}
		a.raised = signal.Never // the rule of one a minute is not in the table
		d.begin(s.Now)
		d.step(&a, f, &s, mute{})
		for _, e := range d.out {
			if e.Phase == Raised {
				raised++
			}
		}
	}
	if got := float64(raised) / hours; math.Abs(got/want-1) > 0.2 {
		t.Errorf("begun %.2f times an hour, the table has %.2f", got, want)
	}
}
