package config

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"chaffinch/detect"
	"chaffinch/internal/problem"
)

// binder sets the fields of structs from a tree and collects what does not fit.
//
// A field is set by the key in its `toml` tag. Fields of embedded structs count
// as the struct's own. `zero:"unknown"` marks a number that is 0 while its
// owner has not given it: in a file it must not be 0.
type binder struct {
	root  reflect.Type    // for finding where a misplaced key belongs
	given map[string]bool // paths that the file says something of
	wrong []*problem.Problem
	// spoilt are paths whose value could not be set, so that it must not be
	// judged as well.
	spoilt map[string]bool
}

func newBinder(root reflect.Type, doc *document) *binder {
	b := &binder{root: root, given: map[string]bool{}, spoilt: map[string]bool{}}
	for _, path := range doc.broken {
		b.spoilt[path] = true
	}
	return b
}

// sound tells whether what a path means was understood, so that it can be judged.
func (b *binder) sound(path string) bool {
	for path != "" {
		if b.spoilt[path] {
			return false
		}
		path = path[:max(0, strings.LastIndexByte(path, '.'))]
	}
	return true
}

type field struct {
	name        string
	index       []int
	zeroUnknown bool
}

// fieldsOf lists the keys of a struct in the order of its fields.
func fieldsOf(t reflect.Type) []field {
	var all []field
	for _, f := range reflect.VisibleFields(t) {
		if name := f.Tag.Get("toml"); name != "" && f.IsExported() {
			all = append(all, field{name: name, index: f.Index, zeroUnknown: f.Tag.Get("zero") == "unknown"})
		}
	}
	return all
}

func (b *binder) add(path, what, try string) {
	b.wrong = append(b.wrong, &problem.Problem{Key: path, What: what, Try: try})
	b.spoilt[path] = true
}

// table sets a struct.
func (b *binder) table(path string, tree map[string]any, into reflect.Value) {
	fields := fieldsOf(into.Type())
	for _, key := range sortedKeys(tree) {
		here := join(path, key)
		i := slices.IndexFunc(fields, func(f field) bool { return f.name == key })
		if i < 0 {
			b.unknown(path, key, tree[key], fields)
			continue
		}
		f := fields[i]
		b.given[here] = true
		target := into.FieldByIndex(f.index)
		before := len(b.wrong)
		b.value(here, key, tree[key], target)
		if f.zeroUnknown && len(b.wrong) == before && target.IsZero() {
			b.add(here, key+" is 0", "give what it is, or remove the line while it is not known")
		}
	}
}

// unknown says what may have been meant by a key that is not one.
func (b *binder) unknown(path, key string, value any, fields []field) {
	names := make([]string, len(fields))
	for i, f := range fields {
		names[i] = f.name
	}
	what := fmt.Sprintf("there is no key %q at the top of the file", key)
	if _, isTable := value.(map[string]any); isTable {
		what = "there is no table " + inBrackets(join(path, key))
	} else if path != "" {
		what = fmt.Sprintf("there is no key %q in %s", key, inBrackets(path))
	}
	here := join(path, key)
	if near := problem.Near(key, names); near != "" {
		b.spoilt[join(path, near)] = true
		b.add(here, what, fmt.Sprintf("did you mean %q?", near))
		return
	}
	if table := tableWith(b.root, "", key); table != "" {
		b.add(here, what, "it belongs in "+inBrackets(table))
		return
	}
	slices.Sort(names)
	b.add(here, what, "there are "+strings.Join(names, ", "))
}

// inBrackets is the head of a table as it stands in a file.
func inBrackets(path string) string {
	parts, list := strings.Split(path, "."), false
	names := parts[:0:0]
	for _, part := range parts {
		if _, err := strconv.Atoi(part); err == nil {
			list = true
			continue
		}
		list = false
		names = append(names, part)
	}
	head := "[" + strings.Join(names, ".") + "]"
	if list {
		head = "[" + head + "]"
	}
	return head
}

// tableWith is the path of the first table that has the key.
func tableWith(t reflect.Type, path, key string) string {
	if t.Kind() == reflect.Slice {
		t, path = t.Elem(), join(path, "0")
	}
	if t.Kind() != reflect.Struct {
		return ""
	}
	for _, f := range fieldsOf(t) {
		if f.name == key && path != "" {
			return path
		}
		if table := tableWith(t.FieldByIndex(f.index).Type, join(path, f.name), key); table != "" {
			return table
		}
	}
	return ""
}

// isDuration tells whether a type is a length of time.
func isDuration(t reflect.Type) bool {
	return t == reflect.TypeFor[time.Duration]() || t == reflect.TypeFor[detect.Duration]()
}

// value sets anything that a configuration may hold.
func (b *binder) value(path, key string, v any, into reflect.Value) {
	if isDuration(into.Type()) {
		b.duration(path, key, v, into)
		return
	}
	switch into.Kind() {
	case reflect.Pointer:
		target := reflect.New(into.Type().Elem())
		before := len(b.wrong)
		b.value(path, key, v, target.Elem())
		if len(b.wrong) == before {
			into.Set(target)
		}
	case reflect.Struct:
		if tree, ok := v.(map[string]any); ok {
			b.table(path, tree, into)
			return
		}
		b.add(path, key+" is a table, and this is "+kindOf(v), fmt.Sprintf("write [%s] with its keys on the lines below", path))
	case reflect.Map:
		b.mapping(path, key, v, into)
	case reflect.Slice:
		b.list(path, key, v, into)
	case reflect.String:
		if s, ok := v.(string); ok {
			into.SetString(s)
			return
		}
		b.add(path, key+" is text, and this is "+kindOf(v), `put it in quotes: "..."`)
	case reflect.Bool:
		if s, ok := v.(bool); ok {
			into.SetBool(s)
			return
		}
		b.add(path, key+" is a switch, and this is "+kindOf(v), "write true or false, without quotes")
	default:
		b.number(path, key, v, into)
	}
}

func (b *binder) duration(path, key string, v any, into reflect.Value) {
	const try = `write it with its unit in quotes, such as "500ms", "3s" or "1m30s"`
	s, ok := v.(string)
	if !ok {
		b.add(path, key+" is a time, and this is "+kindOf(v), try)
		return
	}
	d, err := time.ParseDuration(s)
	switch {
	case err != nil:
		b.add(path, fmt.Sprintf("%q is not a time", s), try)
	case d < 0:
		b.add(path, fmt.Sprintf("%s is less than no time", s), try)
	default:
		into.SetInt(int64(d))
	}
}

func (b *binder) mapping(path, key string, v any, into reflect.Value) {
	tree, ok := v.(map[string]any)
	if !ok {
		b.add(path, key+" is a table, and this is "+kindOf(v), fmt.Sprintf("write [%s] with its keys on the lines below, or %s = { ... }", path, key))
		return
	}
	all := reflect.MakeMap(into.Type())
	for _, k := range sortedKeys(tree) {
		element := reflect.New(into.Type().Elem()).Elem()
		before := len(b.wrong)
		b.given[join(path, k)] = true
		b.value(join(path, k), k, tree[k], element)
		if len(b.wrong) == before {
			all.SetMapIndex(reflect.ValueOf(k).Convert(into.Type().Key()), element)
		}
	}
	if all.Len() == 0 {
		into.SetZero()
		return
	}
	into.Set(all)
}

func (b *binder) list(path, key string, v any, into reflect.Value) {
	elements, ok := v.([]any)
	if !ok {
		try := "write it in brackets: [ ... ]"
		if into.Type().Elem().Kind() == reflect.Struct {
			try = fmt.Sprintf("write [[%s]] with double brackets, once for each", path)
		}
		b.add(path, key+" is a list, and this is "+kindOf(v), try)
		return
	}
	if len(elements) == 0 {
		into.SetZero()
		return
	}
	all := reflect.MakeSlice(into.Type(), len(elements), len(elements))
	for i, e := range elements {
		b.value(fmt.Sprintf("%s.%d", path, i), key, e, all.Index(i))
	}
	into.Set(all)
}

func (b *binder) number(path, key string, v any, into reflect.Value) {
	whole, isWhole := v.(int64)
	real, isReal := v.(float64)
	if !isWhole && !isReal {
		b.add(path, key+" is a number, and this is "+kindOf(v), "write the number alone, without quotes and without a unit")
		return
	}
	switch {
	case into.CanFloat():
		if isWhole {
			real = float64(whole)
		}
		if math.IsNaN(real) || math.IsInf(real, 0) {
			b.add(path, key+" is no finite number", "write a number")
			return
		}
		into.SetFloat(real)
	case isReal:
		b.add(path, fmt.Sprintf("%s is counted, and %v is no whole number", key, real), "write a whole number, without a decimal point")
	case into.CanInt() && !into.OverflowInt(whole):
		into.SetInt(whole)
	case into.CanUint() && whole >= 0 && !into.OverflowUint(uint64(whole)):
		into.SetUint(uint64(whole))
	case into.CanUint() && whole < 0:
		b.add(path, fmt.Sprintf("%s is %d", key, whole), "it cannot be negative")
	default:
		b.add(path, fmt.Sprintf("%s is %d", key, whole), "the number is too large for what it means")
	}
}

// kindOf names what was written, for a person.
func kindOf(v any) string {
	switch v := v.(type) {
	case string:
		return fmt.Sprintf("the text %.40q", v)
	case int64, float64:
		return fmt.Sprintf("the number %v", v)
	case bool:
		return fmt.Sprintf("%v", v)
	case []any:
		return "a list"
	case map[string]any:
		return "a table"
	}
	return "a date or a time of day"
}

func sortedKeys(tree map[string]any) []string {
	keys := make([]string, 0, len(tree))
	for k := range tree {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
