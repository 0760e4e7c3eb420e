package knowledge

import (
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Prompt is a move as an operator reads it. Each but Head may be empty and is a
// whole sentence.
type Prompt struct {
	Head     string   // "Lower the rotor speed by 40 rpm": the one line of a small screen
	Reason   string   // "Fast bars are the first cause of broken grain."
	Risk     string   // "It may leave heads unthreshed."
	Cautions []string // "Engine off, key out, ..."
}

// Prompt words a move. By is how far, such as l.By(amount) tells it; byHand is
// that the lever has to be worked with the machine stopped.
func (b *Base) Prompt(m *Move, by string, byHand bool) Prompt {
	var p Prompt
	l := b.LeverNamed(m.Lever)
	if l == nil {
		return p
	}
	p.Head = m.Say
	if p.Head == "" {
		switch m.Direction {
		case Up:
			p.Head = l.Up + " " + by
		case Down:
			p.Head = l.Down + " " + by
		default:
			p.Head = l.Look
		}
		p.Head = strings.TrimSpace(p.Head)
	}
	p.Reason = sentence(m.Reason)
	if m.RiskWords != "" {
		p.Risk = "It " + m.RiskWords + "."
	}
	names := []string{m.Caution}
	if byHand && l.Caution != m.Caution {
		names = append(names, l.Caution)
	}
	for _, name := range names {
		if c := b.CautionNamed(name); c != nil {
			p.Cautions = append(p.Cautions, c.Words)
		}
	}
	return p
}

// By tells an amount: "by 40 rpm", or in words where it is 0.
func (l *Lever) By(amount float64) string {
	if amount == 0 {
		return l.StepWords
	}
	return "by " + strconv.FormatFloat(amount, 'f', -1, 64) + " " + l.Unit
}

func sentence(clause string) string {
	if clause == "" {
		return ""
	}
	first, size := utf8.DecodeRuneInString(clause)
	return string(unicode.ToUpper(first)) + clause[size:] + "."
}
