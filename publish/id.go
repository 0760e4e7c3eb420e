package publish

import (
	"strconv"
	"strings"
)

// EventID names an event for ever: run and number.
func EventID(boot, number uint64) string { return id('e', boot, number) }

// PromptID names a prompt for ever.
func PromptID(boot, number uint64) string { return id('p', boot, number) }

// CheckID names a check that was asked for.
func CheckID(boot, number uint64) string { return id('c', boot, number) }

func id(class byte, boot, number uint64) string {
	return string(class) + strconv.FormatUint(boot, 10) + "-" + strconv.FormatUint(number, 10)
}

// ParseID takes the id of a class apart: 'e' events, 'p' prompts, 'c' checks.
func ParseID(class byte, s string) (boot, number uint64, ok bool) {
	rest, is := strings.CutPrefix(s, string(class))
	first, second, hasBoth := strings.Cut(rest, "-")
	boot, err1 := strconv.ParseUint(first, 10, 64)
	number, err2 := strconv.ParseUint(second, 10, 64)
	// Only what id writes is one: no plus sign, no zeros in front.
	ok = is && hasBoth && err1 == nil && err2 == nil && id(class, boot, number) == s
	return boot, number, ok
}
