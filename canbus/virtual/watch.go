package virtual

// How surely a condition holds at an instant.
const (
	no      = iota
	perhaps // near its limit, or back within the return margin
	holds   // as defined
	surely  // with some margin
)

// watch finds the stretches in which a condition holds.
//
// A stretch begins when the condition holds, and ends when it has not even
// perhaps held for gapS. It is certain if it lasted the delay and was surely
// true for as long; otherwise, and where the condition only perhaps held, it
// is doubtful: an alarm there is neither right nor wrong.
type watch struct {
	kind    string
	subject string
	delayS  float64
	gapS    float64
	// Grey margins around a certain stretch.
	beforeS, afterS float64

	loose     bool
	looseFrom float64
	lastLoose float64
	strict    bool
	from      float64
	sureS     float64
	certain   []Interval
	doubtful  []Interval
}

func (w *watch) step(t float64, level int) {
	switch {
	case level >= perhaps:
		if !w.loose {
			w.loose, w.looseFrom = true, t
			w.strict, w.sureS = false, 0
		}
		w.lastLoose = t
		if level >= holds && !w.strict {
			w.strict, w.from = true, t
		}
		if level >= surely {
			w.sureS += slowS
		}
	case w.loose && t-w.lastLoose >= w.gapS:
		w.close()
	}
}

func (w *watch) close() {
	if !w.loose {
		return
	}
	w.loose = false
	end := w.lastLoose + slowS
	switch {
	case w.strict && end-w.from >= w.delayS && w.sureS >= w.delayS:
		w.certain = append(w.certain, Interval{Kind: w.kind, Subject: w.subject, Began: w.from, Ended: end,
			GreyBefore: w.beforeS + w.from - w.looseFrom, GreyAfter: w.afterS})
	case end-w.looseFrom >= 0.6*w.delayS:
		w.doubtful = append(w.doubtful, Interval{Kind: w.kind, Subject: w.subject, Began: w.looseFrom, Ended: end,
			GreyBefore: w.beforeS, GreyAfter: w.afterS})
	}
}

// active is how surely the condition has held for its delay.
func (w *watch) active(t float64) int {
	switch {
	case !w.loose:
		return no
	case w.strict && t-w.from >= w.delayS && w.sureS >= w.delayS:
		return surely
	}
	return perhaps
}

// gone returns the watch's stretches as if the log ended now.
func (w watch) gone() (certain, doubtful []Interval) {
	w.certain = append([]Interval(nil), w.certain...)
	w.doubtful = append([]Interval(nil), w.doubtful...)
	w.close()
	return w.certain, w.doubtful
}

// grade turns a value into how surely it is over its limits.
func grade(v, maybe, limit, sure float64) int {
	switch {
	case v >= sure:
		return surely
	case v >= limit:
		return holds
	case v >= maybe:
		return perhaps
	}
	return no
}

// under is grade for a value that is bad when low.
func under(v, maybe, limit, sure float64) int { return grade(-v, -maybe, -limit, -sure) }
