package phone

import (
	"context"
	"net/http"

	"chaffinch/canbus/signal"
)

// Finder looks for the field of a frame that carries a signal, from what the
// machine's own display says.
type Finder struct {
	// Says takes a reading of this moment, in the signal's unit.
	Says func(ctx context.Context, id signal.ID, value float64) error
	// Found is what the readings so far tell, a signal each, in the order in
	// which they were first read.
	Found func(ctx context.Context) []Found
}

// Found is what the readings of a signal tell.
type Found struct {
	Signal     string      `json:"signal"`
	Readings   int         `json:"readings"`
	Text       string      `json:"text"` // the outcome in a sentence or two
	Candidates []Candidate `json:"candidates"`
}

// Candidate is a field that may carry the signal.
type Candidate struct {
	Text string `json:"text"`
	Map  string `json:"map"` // ready to paste
}

func (s *Server) found(w http.ResponseWriter, r *http.Request, _ *device) {
	answer := struct {
		Available bool    `json:"available"`
		Found     []Found `json:"found"`
	}{s.opts.Finder != nil, []Found{}}
	if s.opts.Finder != nil {
		answer.Found = append(answer.Found, s.opts.Finder.Found(r.Context())...)
		for i := range answer.Found {
			if answer.Found[i].Candidates == nil {
				answer.Found[i].Candidates = []Candidate{}
			}
		}
	}
	writeJSON(w, http.StatusOK, answer)
}

func (s *Server) says(w http.ResponseWriter, r *http.Request, _ *device) {
	var in struct {
		Signal string   `json:"signal"`
		Value  *float64 `json:"value"`
	}
	if !s.read(w, r, &in) {
		return
	}
	id, ok := signal.ByName(in.Signal)
	switch {
	case !ok || id.Info().Flag:
		s.refuse(w, r, http.StatusBadRequest, "there is no such signal with a value", "give one of the signals of the set-up")
	case in.Value == nil:
		s.refuse(w, r, http.StatusBadRequest, "there is no value", "give what the display says")
	case s.opts.Finder == nil:
		s.refuse(w, r, http.StatusServiceUnavailable, "the signal finder is not available here", "use chaffinch find with a recorded log")
	default:
		ctx, cancel := context.WithTimeout(r.Context(), s.limits.submit)
		defer cancel()
		if err := s.opts.Finder.Says(ctx, id, *in.Value); err != nil {
			s.wrong(w, r, err)
			return
		}
		w.WriteHeader(http.StatusNoContent)
	}
}
