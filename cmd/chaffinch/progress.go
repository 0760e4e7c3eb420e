package main

import (
	"os"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"
)

// progress is a bar on a terminal, by bytes read, or nil.
func progress(s streams, quiet bool, paths []string) *progressbar.ProgressBar {
	var total int64
	for _, p := range paths {
		if info, err := os.Stat(p); err == nil {
			total += info.Size()
		}
	}
	if total == 0 {
		total = -1
	}
	return bar(s, quiet, total, "  reading")
}

// countdown is a bar on a terminal, by seconds, or nil.
func countdown(s streams, d time.Duration) *progressbar.ProgressBar {
	return bar(s, false, int64(d.Seconds()), "  listening")
}

func bar(s streams, quiet bool, total int64, what string) *progressbar.ProgressBar {
	file, ok := s.err.(*os.File)
	if quiet || !ok || !term.IsTerminal(int(file.Fd())) {
		return nil
	}
	return progressbar.NewOptions64(total,
		progressbar.OptionSetWriter(s.err),
		progressbar.OptionSetDescription(what),
		progressbar.OptionSetWidth(40),
		progressbar.OptionThrottle(100*time.Millisecond),
		progressbar.OptionClearOnFinish(),
	)
}
