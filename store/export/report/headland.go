package report

import (
	"fmt"
	"math"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
	"chaffinch/store/history"
)

// headland compares what the loss sensors say where the machine leaves the crop
// with what they say inside: a machine that runs empty on its sieves loses more.
type headland struct {
	waits [edgeRows][2]float64 // the newest rows of cutting, which may turn out to be the last
	n     int
	since int // rows of the turn so far
	edge  [2]mean
	in    [2]mean
}

// edgeRows is how many seconds before and after the end of a cut are headland: what
// is in the machine leaves it in about ten (common practice, no source).
const edgeRows = 10

func (h *headland) add(row *history.Row) {
	level := [2]float64{math.NaN(), math.NaN()}
	for i, id := range [2]signal.ID{signal.SeparationLoss.ID, signal.CleaningLoss.ID} {
		if v, ok := row.Value(id); ok {
			level[i] = v
		}
	}
	switch row.Activity {
	case machine.Cutting:
		h.since = 0
		if h.n == edgeRows {
			put(&h.in, h.waits[0])
			copy(h.waits[:], h.waits[1:])
			h.n--
		}
		h.waits[h.n] = level
		h.n++
	case machine.Turning:
		h.empty(&h.edge)
		if h.since < edgeRows {
			h.since++
			put(&h.edge, level)
		}
	default:
		h.empty(&h.in)
	}
}

func (h *headland) empty(to *[2]mean) {
	for _, level := range h.waits[:h.n] {
		put(to, level)
	}
	h.n = 0
}

func put(to *[2]mean, level [2]float64) {
	for i, v := range level {
		if !math.IsNaN(v) {
			to[i].add(v)
		}
	}
}

// words say which sensor shows clearly more at the headland, if one does: by half and
// by ten of its hundred (our own choice, no source).
func (h *headland) words() (all []string) {
	const leastRows = 10 * edgeRows
	for i, name := range [2]string{"Separation", "Cleaning"} {
		edge, in := h.edge[i].value(), h.in[i].value()
		if h.edge[i].n < leastRows || h.in[i].n < leastRows || edge < 1.5*in || edge < in+10 {
			continue
		}
		all = append(all, fmt.Sprintf("%s loss is higher at the headland: its sensor shows %.0f where the machine leaves the crop and %.0f inside. Keep it full and threshing to the end.",
			name, edge, in))
	}
	return all
}
