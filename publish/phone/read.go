package phone

import (
	"net/http"
	"strconv"

	"chaffinch/publish"
)

// dayLines is how many lines of the day are told.
const dayLines = 200

func (s *Server) healthz(w http.ResponseWriter, _ *http.Request, _ *device) {
	writeText(w, http.StatusOK, []byte(`{"ok":true}`))
}

func (s *Server) me(w http.ResponseWriter, _ *http.Request, who *device) {
	now := s.opts.Board.Setup()
	units := now.Units
	if units == "" {
		units = "metric"
	}
	writeJSON(w, http.StatusOK, map[string]any{
		"role": who.role.String(), "machine": s.opts.Machine, "version": s.opts.Version, "units": units,
		"crop": now.Crop, "paired": true, "name": who.name,
	})
}

func (s *Server) history(w http.ResponseWriter, r *http.Request, _ *device) {
	minutes := 20
	if text := r.URL.Query().Get("minutes"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || n > 60 {
			s.refuse(w, r, http.StatusBadRequest, "minutes is not one of 1 to 60", "give minutes=20")
			return
		}
		minutes = n
	}
	writeJSON(w, http.StatusOK, s.opts.Board.History(minutes))
}

func (s *Server) day(w http.ResponseWriter, _ *http.Request, _ *device) {
	writeJSON(w, http.StatusOK, map[string]any{"items": s.opts.Board.Day(dayLines)})
}

func (s *Server) setup(w http.ResponseWriter, _ *http.Request, _ *device) {
	now := s.opts.Board.Setup()
	// Lists that are empty are written as such.
	if now.Limits == nil {
		now.Limits = map[string]publish.Limit{}
	}
	if now.Targets == nil {
		now.Targets = []publish.TargetNow{}
	}
	for _, list := range []*[]string{&now.SeatAdjustable, &now.Crops, &now.Headers, &now.Levers} {
		if *list == nil {
			*list = []string{}
		}
	}
	writeJSON(w, http.StatusOK, struct {
		publish.SetupNow
		Signals []publish.Heard `json:"signals"`
	}{now, s.opts.Board.Heard()})
}
