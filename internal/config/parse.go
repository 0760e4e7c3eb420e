package config

import (
	"bytes"
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"

	"chaffinch/internal/problem"
)

// The limits of a file. The TOML library has its own limit of nesting.
const (
	maxBytes     = 64 << 10
	maxSyntax    = 20 // mistakes of syntax after which the rest is not read
	maxLinesBack = 60 // how far up the beginning of a broken value is sought
	maxDepth     = 12 // parts of a path whose lines are noted; the deepest key has 4
)

// document is a file as TOML.
type document struct {
	name  string
	lines []string // for showing
	tree  map[string]any
	line  map[string]int // of each key, by its dotted path; elements of lists count from 0
	// broken are the paths of keys that were left out because their lines are
	// no TOML.
	broken []string
}

// parse reads TOML. A line that is no TOML is left out, so that the mistakes
// behind it are found as well. The document is nil if too little is left.
func parse(name string, text []byte) (*document, []*Mistake) {
	text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))
	d := &document{name: name}
	if len(text) > maxBytes {
		return nil, []*Mistake{d.mistake(0, problem.Problem{What: fmt.Sprintf("the file has %d bytes", len(text)),
			Try: fmt.Sprintf("a configuration has at most %d: is it the right file?", maxBytes)})}
	}
	for _, line := range bytes.Split(text, []byte("\n")) {
		d.lines = append(d.lines, strings.TrimSuffix(string(line), "\r"))
	}
	text = bytes.Clone(text)
	var wrong []*Mistake
	for range maxSyntax {
		d.tree = map[string]any{}
		err := toml.Unmarshal(text, &d.tree)
		if err == nil {
			d.line, _ = positions(text)
			return d, wrong
		}
		var at *toml.DecodeError
		if !errors.As(err, &at) {
			return nil, append(wrong, d.mistake(0, problem.Problem{What: "this is not TOML", Err: err, Try: "see the commented example"}))
		}
		row, _ := at.Position()
		row = min(row, len(d.lines))
		from := beginning(text, row)
		if from < row && beginsAnew.MatchString(d.lines[row-1]) {
			wrong = append(wrong, d.mistake(from, problem.Problem{What: fmt.Sprintf("what begins here is not closed before line %d", row),
				Try: "close it with its bracket, brace or quotes"}))
			row--
		} else {
			what := plain(at.Error())
			wrong = append(wrong, d.mistake(row, problem.Problem{What: what, Try: syntaxRemedy(what, d.lines[row-1])}))
		}
		if key := lineKey.FindStringSubmatch(d.lines[from-1]); key != nil && !strings.Contains(at.Error(), "already") {
			_, table := positions(text[:startOfLine(text, from)])
			d.broken = append(d.broken, join(table, key[1]))
		}
		if !blank(text, from, row) {
			break
		}
	}
	return nil, wrong
}

var (
	// beginsAnew is a line that looks like the head of a table or a key.
	beginsAnew = regexp.MustCompile(`^\s*(\[\[?[\w."-]+\]|[\w."-]+\s*=)`)
	// lineKey is the key of a line that has one.
	lineKey   = regexp.MustCompile(`^\s*([\w.-]+)\s*=`)
	codePoint = regexp.MustCompile(`U\+[0-9A-F]+ ('.')`)
)

// plain is what the library says, without what only programmers read.
func plain(message string) string {
	message = strings.TrimPrefix(message, "toml: ")
	message = strings.ReplaceAll(message, "unexpected character U+000A at start of value", "there is no value")
	message = strings.ReplaceAll(message, "expected newline", "expected the end of the line")
	return codePoint.ReplaceAllString(message, "$1")
}

// syntaxRemedy guesses what the writer of the line wanted.
func syntaxRemedy(what, line string) string {
	key, value, _ := strings.Cut(line, "=")
	key, value = strings.TrimSpace(key), strings.TrimSpace(value)
	switch {
	case strings.Contains(what, "table") && strings.Contains(what, "already"):
		return "it stands in this file twice: make one of the two; the lines below this one were not checked"
	case strings.Contains(what, "already"):
		return "it stands in this file twice: keep one"
	case strings.HasPrefix(key, "["):
		return "the head of a table is [name]; the lines below it were not checked"
	case strings.Contains(what, "new line"):
		return "close the quotes on the same line"
	case strings.EqualFold(value, "true"), strings.EqualFold(value, "false"):
		return "write true or false in small letters"
	case value == "" && strings.Contains(line, "="):
		return "give a value, or remove the line to have the default"
	}
	number := strings.TrimLeft(value, "+-0123456789._")
	switch {
	case number != value && len(number) > 1 && number[0] == ',' && number[1] >= '0' && number[1] <= '9':
		return "write a decimal point: " + strings.Replace(value, ",", ".", 1)
	case number != value && strings.Trim(number, " abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ/%\"'") == "" && !strings.Contains(what, "zero"):
		return "write the number alone: its unit is in the name of the key"
	case value != "" && (value[0] >= 'a' && value[0] <= 'z' || value[0] >= 'A' && value[0] <= 'Z'):
		return fmt.Sprintf("text stands in quotes: %s = %s", key, strconv.Quote(value))
	}
	return `a line is [table] or key = value, with text in "quotes" and lists in [ ]`
}

// beginning is the line on which the expression begins that is broken on line
// row: the lines before it are whole.
func beginning(text []byte, row int) int {
	for from := row; from > max(1, row-maxLinesBack); from-- {
		if _, whole := parsed(text[:startOfLine(text, from)]); whole {
			return from
		}
	}
	return row
}

func parsed(text []byte) (p unstable.Parser, whole bool) {
	p.Reset(text)
	for p.NextExpression() {
	}
	return p, p.Error() == nil
}

// startOfLine is the offset at which a line begins, counted from 1.
func startOfLine(text []byte, line int) int {
	at := 0
	for ; line > 1; line-- {
		next := bytes.IndexByte(text[at:], '\n')
		if next < 0 {
			return len(text)
		}
		at += next + 1
	}
	return at
}

// blank overwrites the lines from first to last with spaces, and the whole
// table if they are its head: else its keys would fall to the table above.
// It is false if there was nothing to overwrite.
func blank(text []byte, first, last int) bool {
	from, to := startOfLine(text, first), startOfLine(text, last+1)
	if bytes.HasPrefix(bytes.TrimSpace(text[from:to]), []byte("[")) {
		for to < len(text) && !bytes.HasPrefix(bytes.TrimLeft(text[to:], " \t"), []byte("[")) {
			last++
			to = startOfLine(text, last+1)
		}
	}
	changed := false
	for i := from; i < to; i++ {
		if text[i] != '\n' && text[i] != ' ' {
			text[i] = ' '
			changed = true
		}
	}
	return changed
}

// positions finds the line of every key of a text that is TOML, and the table
// that is open at its end.
func positions(text []byte) (line map[string]int, table string) {
	w := walker{text: text, line: map[string]int{}, elements: map[string]int{}}
	w.parser.Reset(text)
	for w.parser.NextExpression() {
		e := w.parser.Expression()
		switch e.Kind {
		case unstable.Table, unstable.ArrayTable:
			table = w.key("", e, e.Kind == unstable.ArrayTable)
		case unstable.KeyValue:
			w.keyValue(table, e, 0)
		}
	}
	return w.line, table
}

type walker struct {
	parser   unstable.Parser
	text     []byte
	line     map[string]int
	elements map[string]int // of each list of tables so far, by its path
	offset   int            // up to which rows were counted
	rows     int
}

// row is the line of a node. Nodes come in the order of the text, nearly always.
func (w *walker) row(n *unstable.Node) int {
	at := min(int(n.Raw.Offset), len(w.text))
	if at < w.offset {
		w.offset, w.rows = 0, 0
	}
	w.rows += bytes.Count(w.text[w.offset:at], []byte("\n"))
	w.offset = at
	return w.rows + 1
}

func (w *walker) note(path string, row int) {
	if w.line[path] == 0 {
		w.line[path] = row
	}
}

// key notes the parts of a dotted key and returns its whole path. In a list of
// tables the last element is meant.
func (w *walker) key(path string, n *unstable.Node, element bool) string {
	parts := 0
	for it := n.Key(); it.Next() && parts < maxDepth; parts++ {
		path = join(path, string(it.Node().Data))
		row := w.row(it.Node())
		w.note(path, row)
		if element && it.IsLast() {
			w.elements[path]++
		}
		if count := w.elements[path]; count > 0 {
			path = join(path, strconv.Itoa(count-1))
			w.note(path, row)
		}
	}
	return path
}

func (w *walker) keyValue(table string, n *unstable.Node, depth int) {
	path := w.key(table, n, false)
	w.value(path, w.line[path], n.Value(), depth)
}

// value notes what is inside a value. Only some kinds of value know where they
// stand; the others are on the line of their key.
func (w *walker) value(path string, row int, n *unstable.Node, depth int) {
	if depth == maxDepth || n.Kind != unstable.Array && n.Kind != unstable.InlineTable {
		return
	}
	i := 0
	for it := n.Children(); it.Next(); {
		child := it.Node()
		if n.Kind == unstable.InlineTable {
			w.keyValue(path, child, depth+1)
			continue
		}
		if child.Kind == unstable.Comment {
			continue
		}
		element := join(path, strconv.Itoa(i))
		i++
		at := row
		if child.Raw.Length > 0 {
			at = w.row(child)
		}
		w.note(element, at)
		w.value(element, at, child, depth+1)
	}
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}
