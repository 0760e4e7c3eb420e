// Package fetch gets exports from a running program, over the interface of its page
// (publish/phone/openapi.yaml), and goes on where it stopped.
package fetch

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"

	"chaffinch/internal/problem"
)

// cookieName is the cookie that holds a device's token.
const cookieName = "chaffinch"

// Client asks one program.
type Client struct {
	Base  string // http://HOST:PORT
	Token string // of a paired device; empty before Pair
	HTTP  *http.Client
	// Say is told what a person who waits should know. May be nil.
	Say func(string)
	// Patience is how long nothing may come before an attempt is given up. 0
	// means 30 s.
	Patience time.Duration
	// Pause is the wait before the first further attempt; it doubles with each.
	// 0 means 1 s.
	Pause time.Duration
}

// Item is something that can be fetched.
type Item struct {
	Name  string `json:"name"`
	Words string `json:"words"`
	Group string `json:"group"`
}

// Check tells whether the address can be one.
func Check(base string) error {
	u, err := url.Parse(base)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || strings.Trim(u.Path, "/") != "" || u.RawQuery != "" || u.User != nil {
		return &problem.Problem{What: fmt.Sprintf("%q is no address of a machine", base), Try: "give one such as http://192.168.7.1:8080"}
	}
	return nil
}

// Pair takes a code that the program shows, and gives the token for it.
func (c *Client) Pair(ctx context.Context, code, name string) (token string, err error) {
	text, err := json.Marshal(map[string]string{"code": code, "name": name})
	if err != nil {
		return "", err
	}
	answer, err := c.ask(ctx, http.MethodPost, "pair", bytes.NewReader(text), nil)
	if err != nil {
		return "", err
	}
	defer answer.Body.Close()
	if answer.StatusCode != http.StatusOK {
		return "", refusal(answer)
	}
	for _, cookie := range answer.Cookies() {
		if cookie.Name == cookieName {
			c.Token = cookie.Value
			return c.Token, nil
		}
	}
	return "", errors.New("fetch: the program gave no token")
}

// List is what can be fetched, newest first.
func (c *Client) List(ctx context.Context) (all []Item, err error) {
	answer, err := c.ask(ctx, http.MethodGet, "downloads", nil, nil)
	if err != nil {
		return nil, err
	}
	defer answer.Body.Close()
	if answer.StatusCode != http.StatusOK {
		return nil, refusal(answer)
	}
	if err := json.NewDecoder(io.LimitReader(answer.Body, 1<<20)).Decode(&all); err != nil {
		return nil, fmt.Errorf("fetch: list: %w", err)
	}
	return all, nil
}

func (c *Client) ask(ctx context.Context, method, path string, body io.Reader, headers map[string]string) (*http.Response, error) {
	base := strings.TrimRight(c.Base, "/")
	q, err := http.NewRequestWithContext(ctx, method, base+"/api/v1/"+path, body)
	if err != nil {
		return nil, fmt.Errorf("fetch: %w", err)
	}
	for name, value := range headers {
		q.Header.Set(name, value)
	}
	if body != nil {
		q.Header.Set("Content-Type", "application/json")
		q.Header.Set("Origin", base)
	}
	if c.Token != "" {
		q.AddCookie(&http.Cookie{Name: cookieName, Value: c.Token})
	}
	return c.HTTP.Do(q)
}

// refusal is why the program did not do it, in its own words.
func refusal(answer *http.Response) error {
	var told struct {
		Error struct{ What, Try string }
	}
	text, _ := io.ReadAll(io.LimitReader(answer.Body, 1<<16))
	if json.Unmarshal(text, &told) != nil || told.Error.What == "" {
		return &Refused{answer.StatusCode, &problem.Problem{What: "the machine answers " + answer.Status, Try: "see whether the address is that of its page"}}
	}
	if answer.StatusCode == http.StatusUnauthorized {
		return &Refused{answer.StatusCode, &problem.Problem{What: "this computer is not paired with the machine", Try: "give --code with the digits that the machine shows"}}
	}
	return &Refused{answer.StatusCode, &problem.Problem{What: told.Error.What, Try: told.Error.Try}}
}

// Refused is an answer that is none.
type Refused struct {
	Status int
	Err    error
}

func (r *Refused) Error() string { return r.Err.Error() }
func (r *Refused) Unwrap() error { return r.Err }

func (c *Client) say(text string) {
	if c.Say != nil {
		c.Say(text)
	}
}
