package decode

import (
	"bytes"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"go.einride.tech/can/pkg/dbc"
)

// found is a signal of a file.
type found struct {
	path    string
	message *dbc.MessageDef
	def     *dbc.SignalDef
	float   bool
	nested  bool   // the message has several levels of multiplexing
	format  string // of the message's frames (attribute VFrameFormat), or nothing
}

func (f *found) fullName() string { return string(f.message.Name) + "." + string(f.def.Name) }

// transported tells whether the file says that the message is a parameter
// group, which may be longer than a frame.
func (f *found) transported() bool { return f.format == "J1939PG" }

// parseDBC lists the signals of a file. The parser is the library's; whatever
// it does with a strange file, this returns.
func parseDBC(f DBCFile) (all []found, err error) {
	defer func() {
		if p := recover(); p != nil {
			all, err = nil, fmt.Errorf("%s: the file cannot be understood: %v", f.Path, p)
		}
	}()
	if len(f.Text) > MaxDBCBytes {
		return nil, fmt.Errorf("%s: %d bytes are more than %d", f.Path, len(f.Text), MaxDBCBytes)
	}
	text, extended, err := forParser(f.Path, asUTF8(f.Text))
	if err != nil {
		return nil, err
	}
	parser := dbc.NewParser(f.Path, text)
	if bad := parser.Parse(); bad != nil {
		return nil, fmt.Errorf("%s:%d: %s", f.Path, bad.Position().Line, bad.Reason())
	}
	type signalOf struct {
		message dbc.MessageID
		signal  dbc.Identifier
	}
	floats := map[signalOf]bool{}
	formats := map[dbc.MessageID]string{}
	usual := ""
	for _, d := range parser.Defs() {
		switch d := d.(type) {
		case *dbc.SignalValueTypeDef:
			if d.SignalValueType != dbc.SignalValueTypeInt {
				floats[signalOf{d.MessageID, d.SignalName}] = true
			}
		case *dbc.AttributeDefaultValueDef:
			if d.AttributeName == frameFormat {
				usual = d.DefaultStringValue
			}
		case *dbc.AttributeValueForObjectDef:
			if d.AttributeName == frameFormat && d.ObjectType == dbc.ObjectTypeMessage {
				formats[d.MessageID] = d.StringValue
			}
		}
	}
	for _, d := range parser.Defs() {
		m, ok := d.(*dbc.MessageDef)
		if !ok || dbc.IsIndependentSignalsMessage(m) {
			continue
		}
		format, ok := formats[m.MessageID]
		if !ok {
			format = usual
		}
		nested := extended.messages[uint64(m.MessageID)] || slices.ContainsFunc(m.Signals,
			func(s dbc.SignalDef) bool { return extended.lines[s.Pos.Line] })
		for i := range m.Signals {
			s := &m.Signals[i]
			all = append(all, found{f.Path, m, s, floats[signalOf{m.MessageID, s.Name}], nested, format})
		}
	}
	return all, nil
}

// frameFormat is the attribute by which databases tell kinds of frames apart.
const frameFormat = "VFrameFormat"

// asUTF8 reads a text that is not UTF-8 as Latin-1, in which many files write
// the degree sign: the parser takes UTF-8 alone.
func asUTF8(text []byte) []byte {
	if utf8.Valid(text) {
		return text
	}
	out := make([]byte, 0, len(text)+64)
	for _, b := range text {
		out = utf8.AppendRune(out, rune(b))
	}
	return out
}

// extendedMultiplexing is where a file uses more than one level of
// multiplexing: messages by identifier as in the file, and lines of signals.
type extendedMultiplexing struct {
	messages map[uint64]bool
	lines    map[int]bool
}

var (
	// strangeToParser are statements that the parser passes over. It may take
	// the line behind one along, so they are taken out before. A keyword alone
	// on its line is not a statement: it stands in the list of symbols.
	strangeToParser = regexp.MustCompile(`^(SIG_GROUP_|SG_MUL_VAL_|SGTYPE_|SGTYPE_VAL_|SIGTYPE_VALTYPE_|SIG_TYPE_REF_|BA_DEF_SGTYPE_|BA_SGTYPE_|BA_DEF_REL_|BA_DEF_DEF_REL_|BA_REL_|BU_SG_REL_|BU_EV_REL_|BU_BO_REL_|EV_DATA_|CAT_DEF_|CAT_)[ \t]+\S`)
	// switchedSwitch is a signal that is multiplexed and a switch itself.
	switchedSwitch = regexp.MustCompile(`^[ \t]*SG_[ \t]+\w+[ \t]+m[0-9]+M[ \t]*:`)
)

// forParser takes out of a text what the parser cannot read and we do not need.
// Lines stay where they are.
func forParser(path string, text []byte) ([]byte, extendedMultiplexing, error) {
	out := bytes.Clone(text)
	extended := extendedMultiplexing{map[uint64]bool{}, map[int]bool{}}
	quoted, blank := false, false // inside a string; inside a statement that is taken out
	began := 0
	for number, at := 1, 0; at < len(out); number++ {
		end := len(out)
		if n := bytes.IndexByte(out[at:], '\n'); n >= 0 {
			end = at + n + 1
		}
		line := out[at:end]
		at = end
		if !quoted && !blank {
			switch {
			case strangeToParser.Match(line):
				blank, began = true, number
				if rest, ok := bytes.CutPrefix(line, []byte("SG_MUL_VAL_")); ok {
					id, err := strconv.ParseUint(strings.Fields(string(rest))[0], 10, 32)
					if err != nil {
						return nil, extended, fmt.Errorf("%s:%d: no identifier behind SG_MUL_VAL_", path, number)
					}
					extended.messages[id] = true
				}
			case switchedSwitch.Match(line):
				extended.lines[number] = true
				line[bytes.IndexByte(line, ':')-1-trailing(line)] = ' ' // the M
			}
		}
		for i, c := range line {
			if c == '"' && (i == 0 || line[i-1] != '\\') {
				quoted = !quoted
			}
			if !blank {
				continue
			}
			if c != '\n' && c != '\r' {
				line[i] = ' '
			}
			blank = c != ';' || quoted
		}
	}
	if blank {
		return nil, extended, fmt.Errorf("%s:%d: the statement has no end", path, began)
	}
	return out, extended, nil
}

// trailing counts the blanks before the first colon of a line.
func trailing(line []byte) (n int) {
	for i := bytes.IndexByte(line, ':') - 1; line[i] == ' ' || line[i] == '\t'; i-- {
		n++
	}
	return n
}
