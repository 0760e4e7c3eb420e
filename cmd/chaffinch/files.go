package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"chaffinch/canbus"
	"chaffinch/internal/problem"
)

// create opens a file for writing; "-" is standard output. The function it
// returns closes it and adds what goes wrong then to an error.
func create(s streams, path string) (io.Writer, func(*error), error) {
	if path == "-" {
		return s.out, func(*error) {}, nil
	}
	file, err := os.Create(path)
	if err != nil {
		return nil, nil, err
	}
	return file, func(err *error) { *err = errors.Join(*err, file.Close()) }, nil
}

// output is where a flag has something go; nowhere if the path is empty.
type output struct{ flag, path string }

// apart refuses to write over a file that is read, and two outputs in one file.
func apart(read []string, outputs ...output) error {
	wrong := func(o output, why string) error {
		return usageError{fmt.Errorf("--%s: %s %s: give another name", o.flag, o.path, why)}
	}
	for i, o := range outputs {
		if o.path == "" || o.path == "-" || special(o.path) {
			continue
		}
		if slices.ContainsFunc(read, func(path string) bool { return sameFile(o.path, path) }) {
			return wrong(o, "is read")
		}
		for _, before := range outputs[:i] {
			if before.path != "" && sameFile(o.path, before.path) {
				return wrong(o, "is for --"+before.flag)
			}
		}
	}
	return nil
}

// sameFile tells whether two paths are of one file, which need not be there yet.
func sameFile(a, b string) bool {
	is, err := os.Stat(a)
	if err != nil {
		return filepath.Clean(a) == filepath.Clean(b)
	}
	other, err := os.Stat(b)
	return err == nil && os.SameFile(is, other)
}

// special tells whether a path is of something that is written into and not
// replaced: a device such as /dev/null, a pipe, a terminal, or a link to an open
// file such as /dev/stdout.
func special(path string) bool {
	if link, err := os.Lstat(path); err == nil && link.Mode()&os.ModeSymlink != 0 {
		if whole, err := filepath.Abs(path); err == nil && (strings.HasPrefix(whole, "/dev/") || strings.HasPrefix(whole, "/proc/")) {
			return true
		}
	}
	info, err := os.Stat(path)
	return err == nil && !info.Mode().IsRegular() && !info.IsDir()
}

// orNotAllowed says what to do where the files beside the store, which are the
// service's alone, may not be opened.
func orNotAllowed(err error) error {
	if !errors.Is(err, fs.ErrPermission) || os.Geteuid() == 0 {
		return err
	}
	return &problem.Problem{What: "what the service keeps is for the service alone", Err: err, Try: "do the same with sudo"}
}

// tellWhole says what is wrong with logs as a whole.
func tellWhole(w io.Writer, log canbus.Stats) {
	for _, b := range log.FirstBad {
		if b.Whole {
			fmt.Fprintln(w, b)
		}
	}
}
