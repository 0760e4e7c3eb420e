package phone

import (
	"context"
	"io"
	"net/http"
	"strconv"
	"time"

	"chaffinch/publish"
)

// dayLines is how many lines of the day are told.
const dayLines = 200

// Download is something that can be fetched: a report, a table.
type Download struct {
	Name  string // of the file, without folders
	Words string // what it is
	Type  string // its media type
	// Write writes it; it ends when ctx does.
	Write func(ctx context.Context, w io.Writer) error
}

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

func (s *Server) offered() []Download {
	if s.opts.Downloads == nil {
		return nil
	}
	return s.opts.Downloads()
}

func (s *Server) downloads(w http.ResponseWriter, _ *http.Request, _ *device) {
	type line struct {
		Name  string `json:"name"`
		Words string `json:"words"`
		Href  string `json:"href"`
	}
	all := []line{}
	for _, d := range s.offered() {
		all = append(all, line{d.Name, d.Words, api + "downloads/" + d.Name})
	}
	writeJSON(w, http.StatusOK, all)
}

func (s *Server) download(w http.ResponseWriter, r *http.Request, _ *device) {
	for _, d := range s.offered() {
		if d.Name != r.PathValue("name") {
			continue
		}
		w.Header().Set("Content-Type", d.Type)
		w.Header().Set("Content-Disposition", `attachment; filename="`+d.Name+`"`)
		out := &patient{w: w, rc: http.NewResponseController(w), each: s.limits.chunk}
		if err := d.Write(r.Context(), out); err != nil {
			s.log.Warn("a download broke off", "name", d.Name, "error", err)
			panic(http.ErrAbortHandler) // so that no browser takes a part for the whole
		}
		return
	}
	s.refuse(w, r, http.StatusNotFound, "there is no such download", "see the list of downloads")
}

// patient gives each write its own deadline, so that a long answer may take
// long, but not a slow reader.
type patient struct {
	w    io.Writer
	rc   *http.ResponseController
	each time.Duration
}

func (p *patient) Write(b []byte) (int, error) {
	_ = p.rc.SetWriteDeadline(time.Now().Add(p.each)) // httptest's recorder has none
	return p.w.Write(b)
}
