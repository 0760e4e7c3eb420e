package phone

import (
	"context"
	"net/http"

	"chaffinch/publish"
)

func (s *Server) acknowledge(w http.ResponseWriter, r *http.Request, _ *device) {
	if _, ok := s.submit(w, r, publish.InputAcknowledge); ok {
		w.WriteHeader(http.StatusNoContent)
	}
}

func (s *Server) answer(w http.ResponseWriter, r *http.Request, _ *device) {
	if _, ok := s.submit(w, r, publish.InputAnswer); ok {
		w.WriteHeader(http.StatusNoContent)
	}
}

func (s *Server) check(w http.ResponseWriter, r *http.Request, _ *device) {
	if reply, ok := s.submit(w, r, publish.InputCheck); ok {
		writeText(w, http.StatusOK, reply.Append(nil))
	}
}

func (s *Server) setUp(w http.ResponseWriter, r *http.Request, _ *device) {
	if _, ok := s.submit(w, r, publish.InputSetup); ok {
		w.WriteHeader(http.StatusNoContent)
	}
}

// submit hands an input over and waits until it has taken effect, or answers
// why it was not taken.
func (s *Server) submit(w http.ResponseWriter, r *http.Request, name string) (publish.Reply, bool) {
	text, ok := s.body(w, r)
	if !ok {
		return publish.Reply{}, false
	}
	in, err := publish.ParseInput(name, text)
	var reply publish.Reply
	if err == nil {
		ctx, cancel := context.WithTimeout(r.Context(), s.limits.submit)
		defer cancel()
		reply, err = s.opts.Submit(ctx, in)
	}
	if err != nil {
		s.wrong(w, r, err)
		return publish.Reply{}, false
	}
	return reply, true
}
