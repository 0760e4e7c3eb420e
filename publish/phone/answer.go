package phone

import (
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"strings"

	"chaffinch/internal/problem"
	"chaffinch/publish"
)

// writeJSON answers with a value.
func writeJSON(w http.ResponseWriter, status int, v any) {
	text, err := json.Marshal(v)
	if err != nil { // a number that JSON has not
		status, text = http.StatusInternalServerError, []byte(`{"error":{"what":"this cannot be written","try":"tell who looks after the program"}}`)
	}
	writeText(w, status, text)
}

func writeText(w http.ResponseWriter, status int, text []byte) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_, _ = w.Write(text)
}

func writeError(w http.ResponseWriter, status int, what, try string) {
	w.Header().Set("Cache-Control", "no-store")
	writeJSON(w, status, map[string]any{"error": map[string]string{"what": what, "try": try}})
}

// body reads what was sent, or answers why it cannot be.
func (s *Server) body(w http.ResponseWriter, r *http.Request) ([]byte, bool) {
	text, err := io.ReadAll(r.Body)
	var long *http.MaxBytesError
	switch {
	case errors.As(err, &long):
		s.refuse(w, r, http.StatusRequestEntityTooLarge, "that is too long", "send 16 kB at most")
	case err != nil:
		s.refuse(w, r, http.StatusBadRequest, "the request broke off", "send it again")
	}
	return text, err == nil
}

// read reads a JSON object without unknown keys, or answers why it cannot be.
func (s *Server) read(w http.ResponseWriter, r *http.Request, into any) bool {
	text, ok := s.body(w, r)
	if !ok {
		return false
	}
	d := json.NewDecoder(strings.NewReader(string(text)))
	d.DisallowUnknownFields()
	err := d.Decode(into)
	if err == nil {
		if _, end := d.Token(); !errors.Is(end, io.EOF) {
			err = errors.New("something stands behind it")
		}
	}
	if err != nil || !strings.HasPrefix(strings.TrimLeft(string(text), " \t\r\n"), "{") {
		s.refuse(w, r, http.StatusBadRequest, "this cannot be read", "see the description of the API")
		return false
	}
	return true
}

// wrong answers for an input that was not taken.
func (s *Server) wrong(w http.ResponseWriter, r *http.Request, err error) {
	var p *problem.Problem
	switch {
	case errors.As(err, &p):
		s.refuse(w, r, http.StatusBadRequest, p.What, p.Try)
	case errors.Is(err, publish.ErrGone):
		s.refuse(w, r, http.StatusConflict, "it is no longer open", "look what is open now")
	case errors.Is(err, publish.ErrBusy):
		w.Header().Set("Retry-After", "1")
		s.refuse(w, r, http.StatusServiceUnavailable, "too much waits already", "try again")
	default: // of the context
		s.refuse(w, r, http.StatusGatewayTimeout, "the program did not answer in time", "look whether it was taken before you try again")
	}
}
