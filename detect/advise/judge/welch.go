package judge

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// mean is an estimate with its standard error and the degrees of freedom of
// that error.
type mean struct{ value, se, df float64 }

// difference is b - a after Welch: the two errors need not be alike, and the
// degrees of freedom are those of Welch and Satterthwaite.
func difference(a, b mean) mean {
	va, vb := a.se*a.se, b.se*b.se
	d := mean{value: b.value - a.value, se: math.Sqrt(va + vb)}
	d.df = (va + vb) * (va + vb) / (va*va/a.df + vb*vb/b.df)
	if va+vb == 0 || math.IsNaN(d.df) {
		d.df = a.df + b.df
	}
	return d
}

// p is the two-sided chance of a value as far from nothing as this.
func (m mean) p() float64 {
	if m.se == 0 {
		if m.value == 0 {
			return 1
		}
		return 0
	}
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: m.df}
	return 2 * t.CDF(-math.Abs(m.value/m.se))
}

// student is the number of standard errors that Student's t keeps within with
// a chance of 1-alpha, both sides together.
func student(alpha, df float64) float64 {
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile(1 - alpha/2)
}

// ratio is the interval of b/a after Fieller (J. R. Statist. Soc. B 16, 1954):
// all ratios that t standard errors cannot tell from the truth. It leaves out 1
// exactly if the difference is told from nothing. ok is false if a itself
// cannot be told from nothing, so that the ratio may be anything.
func ratio(a, b mean, t float64) (low, high float64, ok bool) {
	va, vb := t*t*a.se*a.se, t*t*b.se*b.se
	q := a.value*a.value - va
	if a.value <= 0 || q <= 0 {
		return 0, math.Inf(1), false
	}
	root := math.Sqrt(math.Max(0, a.value*a.value*b.value*b.value-q*(b.value*b.value-vb)))
	return (a.value*b.value - root) / q, (a.value*b.value + root) / q, true
}
