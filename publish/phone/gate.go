package phone

import (
	"errors"
	"fmt"
	"math"
	"mime"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"time"

	"chaffinch/publish"
)

// cookieName is the cookie that holds a device's token.
const cookieName = "chaffinch"

// policy is what the page may do in a browser: load what is its own.
const policy = "default-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"

// ServeHTTP lets a request through to its route if it passes every check.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	defer s.recover(w, r)
	guard(w.Header())
	r.Body = http.MaxBytesReader(w, r.Body, publish.MaxInput)
	if !s.mine(r.Host) {
		s.refuse(w, r, http.StatusMisdirectedRequest, "this computer is not known by that name", `use its address, or list the name in [phone] hosts`)
		return
	}
	who := s.who(r)
	if wait, ok := s.mayAsk(who, r); !ok {
		s.slowDown(w, r, wait)
		return
	}
	if f, ok := s.page[r.URL.Path]; ok {
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			s.wrongMethod(w, r, http.MethodGet, http.MethodHead)
			return
		}
		f.write(w, r)
		return
	}
	methods, name := s.find(r.URL.Path)
	if methods == nil {
		s.refuse(w, r, http.StatusNotFound, "there is nothing here", "see the description of the API")
		return
	}
	route, ok := methods[r.Method]
	if !ok {
		known := []string{}
		for m := range methods {
			known = append(known, m)
		}
		slices.Sort(known)
		s.wrongMethod(w, r, known...)
		return
	}
	if !s.passes(w, r, route, who) {
		return
	}
	if name != "" {
		r.SetPathValue("name", name)
	}
	w.Header().Set("Cache-Control", "no-store")
	route.do(s, w, r, who)
}

// guard tells the browser what nobody may make of an answer.
func guard(h http.Header) {
	h.Set("Content-Security-Policy", policy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=(), payment=(), usb=(), serial=()")
}

// passes checks who asks, and that what changes something comes from the page.
func (s *Server) passes(w http.ResponseWriter, r *http.Request, route route, who *device) bool {
	role := NoRole
	if who != nil {
		role = who.role
	}
	switch {
	case role >= route.role:
	case who == nil:
		s.refuse(w, r, http.StatusUnauthorized, "this phone is not paired", "pair it with the code that the computer shows")
		return false
	default:
		s.refuse(w, r, http.StatusForbidden, "this phone may not do that", "pair it with a code of the role "+route.role.String())
		return false
	}
	if r.Method != http.MethodPost {
		return true
	}
	if !fromPage(r) {
		s.refuse(w, r, http.StatusForbidden, "this does not come from the page", "send Origin or Sec-Fetch-Site as a browser does on the page itself")
		return false
	}
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		s.refuse(w, r, http.StatusUnsupportedMediaType, "this is not JSON", "send Content-Type: application/json")
		return false
	}
	if wait, ok := s.changes.take(s.caller(who, r), s.opts.Now()); !ok {
		s.slowDown(w, r, wait)
		return false
	}
	return true
}

// who is the paired device that asks, or nil.
func (s *Server) who(r *http.Request) *device {
	c, err := r.Cookie(cookieName)
	if err != nil {
		return nil
	}
	one := s.devices.find(c.Value, s.date())
	if one == nil {
		return nil
	}
	if conn, ok := r.Context().Value(connKey{}).(*conn); ok && conn != nil {
		conn.of.known(conn, one.id)
	}
	return one
}

// caller is under which name a request is counted: a paired device by itself,
// so that no stranger uses up what is its own.
func (s *Server) caller(who *device, r *http.Request) string {
	if who != nil {
		return who.id
	}
	return network(remote(r))
}

func (s *Server) mayAsk(who *device, r *http.Request) (time.Duration, bool) {
	if who != nil {
		return s.paired.take(who.id, s.opts.Now())
	}
	return s.strangers.take(network(remote(r)), s.opts.Now())
}

func remote(r *http.Request) netip.Addr {
	p, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return netip.Addr{}
	}
	return p.Addr().Unmap().WithZone("")
}

// mine tells whether a Host is an address or one of this computer's names. A
// page elsewhere can make a name of its own stand for our address, and would be
// taken for ours by the browser; an address it cannot take.
func (s *Server) mine(host string) bool {
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	}
	name = strings.TrimSuffix(strings.ToLower(strings.Trim(name, "[]")), ".")
	if _, err := netip.ParseAddr(name); err == nil {
		return true
	}
	return slices.Contains(s.named, name)
}

// fromPage tells whether a browser says that a request comes from our own page.
func fromPage(r *http.Request) bool {
	origin, site := r.Header.Get("Origin"), r.Header.Get("Sec-Fetch-Site")
	if origin == "" && site == "" || site != "" && site != "same-origin" {
		return false
	}
	if origin == "" {
		return true
	}
	scheme := "http"
	if r.TLS != nil {
		scheme = "https"
	}
	u, err := url.Parse(origin)
	return err == nil && u.Scheme == scheme && u.Host != "" && strings.EqualFold(u.Host, r.Host) && u.Path == "" && u.User == nil
}

// refuse answers with an error for a person.
func (s *Server) refuse(w http.ResponseWriter, r *http.Request, status int, what, try string) {
	s.refused.Add(1)
	if held, ok := s.hush.may(what); ok {
		s.log.Debug("request refused", "status", status, "why", what, "remote", remote(r).String(), "suppressed", held)
	}
	writeError(w, status, what, try)
}

func (s *Server) slowDown(w http.ResponseWriter, r *http.Request, wait time.Duration) {
	setRetry(w, wait)
	s.refuse(w, r, http.StatusTooManyRequests, "that is too often", "wait "+seconds(wait))
}

func setRetry(w http.ResponseWriter, wait time.Duration) {
	w.Header().Set("Retry-After", strings.TrimSuffix(seconds(wait), " s"))
}

// seconds is a time in whole seconds, one at least.
func seconds(d time.Duration) string { return fmt.Sprintf("%d s", max(1, int(math.Ceil(d.Seconds())))) }

func (s *Server) wrongMethod(w http.ResponseWriter, r *http.Request, known ...string) {
	w.Header().Set("Allow", strings.Join(known, ", "))
	s.refuse(w, r, http.StatusMethodNotAllowed, "that cannot be done here", "use "+strings.Join(known, " or "))
}

// recover lets no mistake of ours end more than one request.
func (s *Server) recover(w http.ResponseWriter, r *http.Request) {
	p := recover()
	if p == nil {
		return
	}
	if err, ok := p.(error); ok && errors.Is(err, http.ErrAbortHandler) {
		panic(p)
	}
	s.panics.Add(1)
	s.log.Error("a request upset the page's server", "path", r.URL.Path, "panic", p)
	panic(http.ErrAbortHandler)
}
