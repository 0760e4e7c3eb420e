package phone

import (
	"context"
	"net"
	"net/http"
	"strconv"
	"strings"
	"time"

	"rsc.io/qr"
)

// Code pairs one device. It can be used once.
type Code struct {
	Digits string // six
	Role   Role
	URL    string // of the page, with the code in it
	Ends   time.Time
}

// quiet is the white border of a QR code in modules (ISO/IEC 18004, 6.3.8).
const quiet = 4

// Terminal draws the URL as a QR code for a dark terminal, two modules a
// character, or nothing if it is too long for one.
func (c Code) Terminal() string {
	q, err := qr.Encode(c.URL, qr.M)
	if err != nil {
		return ""
	}
	white := func(x, y int) bool { return !q.Black(x, y) } // outside too
	var b strings.Builder
	for y := -quiet; y < q.Size+quiet; y += 2 {
		for x := -quiet; x < q.Size+quiet; x++ {
			switch upper, lower := white(x, y), white(x, y+1) && y+1 < q.Size+quiet; {
			case upper && lower:
				b.WriteString("█")
			case upper:
				b.WriteString("▀")
			case lower:
				b.WriteString("▄")
			default:
				b.WriteByte(' ')
			}
		}
		b.WriteByte('\n')
	}
	return b.String()
}

// PNG is the URL as a picture of a QR code.
func (c Code) PNG() ([]byte, error) {
	q, err := qr.Encode(c.URL, qr.M)
	if err != nil {
		return nil, err
	}
	q.Scale = 8
	return q.PNG(), nil
}

// URL is the page's address for whoever reads it at the computer; empty if that
// cannot be told.
func (s *Server) URL() string { return s.url("") }

// url is the page's address for somebody who asked host, or for whoever reads it
// at the computer if host is empty.
func (s *Server) url(host string) string {
	scheme := "http"
	if s.opts.Settings.Encrypted() {
		scheme = "https"
	}
	if host != "" {
		return scheme + "://" + host + "/"
	}
	address, port, err := net.SplitHostPort(s.opts.Settings.Listen)
	if a := s.Health().Address; a != "" {
		_, port, err = net.SplitHostPort(a)
	}
	if err != nil {
		return ""
	}
	if ip := net.ParseIP(address); address == "" || ip != nil && ip.IsUnspecified() {
		address = ownAddress()
		if len(s.opts.Settings.Hosts) > 0 {
			address = s.opts.Settings.Hosts[0]
		}
	}
	return scheme + "://" + net.JoinHostPort(address, port) + "/"
}

// code is the current code for a role.
func (s *Server) code(role Role, host string) (Code, error) {
	c, err := s.pairing.current(role)
	if err != nil {
		return Code{}, err
	}
	return Code{Digits: c.digits, Role: role, URL: s.url(host) + "#pair=" + c.digits, Ends: c.ends}, nil
}

// showCodes shows a code at the start: one that may set up as long as no device
// may, else one that may answer. Until the first device is paired there is
// always one.
func (s *Server) showCodes(ctx context.Context) {
	for {
		role := Answer
		if !s.devices.anyMay(SetUp) {
			role = SetUp
		}
		c, err := s.code(role, "")
		if err != nil {
			s.log.Error("no phone can be paired", "error", err)
			return
		}
		s.log.Info("to pair a phone, open the page and type the code", "code", c.Digits, "role", role.String(), "url", c.URL, "for", codeLife)
		if s.opts.Show != nil {
			s.opts.Show(c)
		}
		select {
		case <-time.After(codeLife):
		case <-ctx.Done():
			return
		}
		if s.devices.anyMay(Look) {
			return
		}
	}
}

// roleAsked is the role in the query, or Answer.
func (s *Server) roleAsked(w http.ResponseWriter, r *http.Request) (Role, bool) {
	text := r.URL.Query().Get("role")
	if text == "" {
		return Answer, true
	}
	role, ok := ParseRole(text)
	if !ok {
		s.refuse(w, r, http.StatusBadRequest, "there is no such role", "there are look, answer and setup")
	}
	return role, ok
}

func (s *Server) showCode(w http.ResponseWriter, r *http.Request, _ *device) {
	role, ok := s.roleAsked(w, r)
	if !ok {
		return
	}
	c, err := s.code(role, r.Host)
	if err != nil {
		s.wrong(w, r, err)
		return
	}
	writeJSON(w, http.StatusOK, map[string]any{"code": c.Digits, "role": role.String(), "url": c.URL,
		"ends_s": int(c.Ends.Sub(s.opts.Now()).Seconds())})
}

// showPicture draws a code of the role that is asked for.
func (s *Server) showPicture(w http.ResponseWriter, r *http.Request, _ *device) {
	role, ok := s.roleAsked(w, r)
	if !ok {
		return
	}
	c, err := s.code(role, r.Host)
	var picture []byte
	if err == nil {
		picture, err = c.PNG()
	}
	if err != nil {
		s.refuse(w, r, http.StatusInternalServerError, "the code cannot be drawn", "type it instead")
		return
	}
	w.Header().Set("Content-Type", "image/png")
	w.Header().Set("Content-Length", strconv.Itoa(len(picture)))
	_, _ = w.Write(picture)
}

// year is how long a browser keeps its token.
const year = 365 * 24 * time.Hour

func (s *Server) pair(w http.ResponseWriter, r *http.Request, _ *device) {
	var in struct {
		Code string `json:"code"`
		Name string `json:"name"`
	}
	if !s.read(w, r, &in) {
		return
	}
	role, wait, tried := s.pairing.try(in.Code)
	if !tried {
		setRetry(w, wait)
		s.refuse(w, r, http.StatusTooManyRequests, "too many wrong codes were tried", "wait "+seconds(wait))
		return
	}
	if role == NoRole {
		if held, ok := s.hush.may("wrong code"); ok {
			s.log.Warn("somebody tried a wrong code", "remote", remote(r).String(), "wait", wait, "suppressed", held)
		}
		try := "look at the computer's screen again: a code works once, for ten minutes"
		if wait > 0 {
			setRetry(w, wait)
			try = "wait " + seconds(wait) + " and look at the computer's screen again"
		}
		s.refuse(w, r, http.StatusForbidden, "that is not the code", try)
		return
	}
	token, one, err := s.devices.pair(in.Name, role, s.date())
	if err != nil {
		s.log.Error("phone not paired", "error", err)
		s.refuse(w, r, http.StatusInternalServerError, "the phone could not be paired", "try again")
		return
	}
	s.log.Info("phone paired", "name", one.name, "role", role.String(), "id", one.id, "remote", remote(r).String())
	http.SetCookie(w, &http.Cookie{Name: cookieName, Value: token, Path: "/", MaxAge: int(year / time.Second),
		HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: s.opts.Settings.Encrypted()})
	writeJSON(w, http.StatusOK, map[string]string{"role": role.String(), "machine": s.opts.Machine})
}

func (s *Server) listDevices(w http.ResponseWriter, _ *http.Request, who *device) {
	type line struct {
		ID     string     `json:"id"`
		Name   string     `json:"name"`
		Role   string     `json:"role"`
		Paired *time.Time `json:"paired"`
		Seen   *time.Time `json:"seen"`
		This   bool       `json:"this"`
	}
	all := []line{}
	for _, k := range s.devices.list() {
		all = append(all, line{k.ID, k.Name, k.Role, k.Paired, k.Seen, k.ID == who.id})
	}
	writeJSON(w, http.StatusOK, map[string]any{"devices": all})
}

func (s *Server) forget(w http.ResponseWriter, r *http.Request, who *device) {
	var in struct {
		Device string `json:"device"`
	}
	if !s.read(w, r, &in) {
		return
	}
	if !s.devices.forget(in.Device) {
		s.refuse(w, r, http.StatusNotFound, "there is no such device", "see the list of devices")
		return
	}
	s.log.Info("phone forgotten", "id", in.Device, "by", who.id)
	w.WriteHeader(http.StatusNoContent)
}
