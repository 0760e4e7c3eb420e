package publish

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"chaffinch/internal/problem"
)

// MaxInput is how long the JSON of an input may be, in bytes.
const MaxInput = 16 << 10

// Input is one thing that somebody tells the program, by MQTT, on the page or
// in a script of replay: exactly one of its parts is set.
type Input struct {
	Acknowledge *Acknowledge `json:"acknowledge,omitempty"`
	Answer      *Answer      `json:"answer,omitempty"`
	Check       *Check       `json:"check,omitempty"`
	Setup       *Setup       `json:"setup,omitempty"`
}

// The inputs, as the topics under do/ and the page name them.
const (
	InputAcknowledge = "acknowledge"
	InputAnswer      = "answer"
	InputCheck       = "check"
	InputSetup       = "setup"
)

// Acknowledge says that the operator knows of an alert.
type Acknowledge struct {
	Event string `json:"event"` // its id
}

// Answer answers a prompt.
type Answer struct {
	Prompt string   `json:"prompt"`       // its id
	Reply  string   `json:"reply"`        // done, later, not-possible, put-back
	To     *float64 `json:"to,omitempty"` // the new setting, where he tells it
}

// Submit hands an input over and waits until it has taken effect, or ctx ends.
// The error is a *problem.Problem for an input that cannot be, ErrGone, ErrBusy,
// or that of ctx.
type Submit func(ctx context.Context, in Input) (Reply, error)

var (
	// ErrGone is that the prompt or the alert is no longer open.
	ErrGone = errors.New("it is no longer open")
	// ErrBusy is that too many inputs wait already, or that the program ends.
	ErrBusy = errors.New("too much waits already: try again")
)

// ParseInput reads the JSON of an input of a name, as it stands on the topic
// do/NAME and in the body of a request.
func ParseInput(name string, body []byte) (Input, error) {
	var in Input
	var err error
	switch name {
	case InputAcknowledge:
		in.Acknowledge = &Acknowledge{}
		err = parseStrictly(body, in.Acknowledge)
	case InputAnswer:
		in.Answer = &Answer{}
		err = parseStrictly(body, in.Answer)
	case InputCheck:
		in.Check = &Check{}
		err = parseStrictly(body, in.Check)
	case InputSetup:
		in.Setup = &Setup{}
		err = parseStrictly(body, in.Setup)
	default:
		return in, &problem.Problem{What: fmt.Sprintf("there is no input %q", cut(name)), Try: "there are acknowledge, answer, check and setup"}
	}
	if err != nil {
		return Input{}, err
	}
	return in, in.Validate()
}

// parseStrictly takes one JSON object without unknown keys.
func parseStrictly(body []byte, into any) error {
	if len(body) > MaxInput {
		return &problem.Problem{What: fmt.Sprintf("%d bytes are too many", len(body)), Try: fmt.Sprintf("send %d at most", MaxInput)}
	}
	if trimmed := bytes.TrimLeft(body, " \t\r\n"); len(trimmed) == 0 || trimmed[0] != '{' {
		return &problem.Problem{What: "this is no JSON object", Try: "see the description of the inputs"}
	}
	d := json.NewDecoder(bytes.NewReader(body))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return &problem.Problem{What: "this cannot be read", Err: plain(err), Try: "see the description of the inputs"}
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return &problem.Problem{What: "something stands behind the JSON object", Try: "send one object"}
	}
	return nil
}

// plain is an error of the JSON decoder without names of our own types.
func plain(err error) error {
	var t *json.UnmarshalTypeError
	if errors.As(err, &t) {
		return fmt.Errorf("%s cannot be a %s", t.Field, t.Value)
	}
	return errors.New(strings.TrimPrefix(err.Error(), "json: "))
}

// Name is what the input is called.
func (in Input) Name() string {
	switch {
	case in.Acknowledge != nil:
		return InputAcknowledge
	case in.Answer != nil:
		return InputAnswer
	case in.Check != nil:
		return InputCheck
	case in.Setup != nil:
		return InputSetup
	}
	return ""
}

// Validate returns a *problem.Problem for what cannot be, whatever the machine.
func (in Input) Validate() error {
	parts := 0
	for _, is := range []bool{in.Acknowledge != nil, in.Answer != nil, in.Check != nil, in.Setup != nil} {
		if is {
			parts++
		}
	}
	switch {
	case parts != 1:
		return &problem.Problem{What: fmt.Sprintf("an input has %d parts", parts), Try: "give one of acknowledge, answer, check and setup"}
	case in.Acknowledge != nil:
		if _, _, ok := ParseID('e', in.Acknowledge.Event); !ok {
			return &problem.Problem{Key: "event", What: fmt.Sprintf("%q is no id of an event", cut(in.Acknowledge.Event)), Try: "give the id of an active alert"}
		}
	case in.Answer != nil:
		return in.Answer.validate()
	case in.Check != nil:
		return in.Check.validate()
	default:
		return in.Setup.validate()
	}
	return nil
}

// cut keeps what a stranger sent short.
func cut(s string) string {
	if len(s) > 40 {
		return s[:40]
	}
	return s
}
