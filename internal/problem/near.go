package problem

import (
	"fmt"
	"strings"
)

// Near returns the word among known that a person most likely meant by word,
// or nothing if none is near: one with few letters wrong, or one whose unit
// was forgotten. Of equally near ones it is the first.
func Near(word string, known []string) string {
	word = strings.ToLower(word)
	best, distance := "", 1+max(1, min(len(word)/3, 4))
	for _, k := range known {
		d := edits(word, k, distance)
		if word != "" && strings.HasPrefix(k, word+"_") {
			d = 1
		}
		if d < distance {
			best, distance = k, d
		}
	}
	return best
}

// DidYouMean is `: did you mean "x"?` for the word that Near finds, or nothing.
func DidYouMean(word string, known []string) string {
	if near := Near(word, known); near != "" {
		return fmt.Sprintf(": did you mean %q?", near)
	}
	return ""
}

// edits counts the bytes to insert, remove, change or exchange with their
// neighbour to make b of a (optimal string alignment). From atLeast on the
// count is not exact.
func edits(a, b string, atLeast int) int {
	if d := len(a) - len(b); d >= atLeast || -d >= atLeast {
		return atLeast
	}
	before, last, row := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last, row = last, row, before
	}
	return last[len(b)]
}
