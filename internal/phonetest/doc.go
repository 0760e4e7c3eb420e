// Package phonetest drives the phone page in a real browser. It has tests only:
// a make-believe program behind the page's HTTP API (fixture_test.go), whose
// payloads are those of package publish, and what a person and a checker would
// look at: flows, sizes, contrast, words, times and pictures.
//
// The tests need Chromium (Debian package chromium). Pictures of every view are
// made anew by
//
//	go test ./internal/phonetest -run Pictures -update
package phonetest
