package main

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
	"chaffinch/internal/core"
)

// readings are what somebody would have read off the machine's display, as flags
// of find: the rotor's speed at six moments at which it was not the same.
func readings(settings, path string) ([]string, error) {
	cfg, err := load(settings)
	if err != nil {
		return nil, err
	}
	type reading struct{ at, rpm float64 }
	var all []reading
	c, err := core.New(cfg, core.Outputs{State: func(s *machine.State) {
		r := signal.RotorSpeed.Of(&s.Signals)
		if at := time.Duration(s.Now).Seconds(); r.Quality == signal.Good && (len(all) == 0 || at >= all[len(all)-1].at+20) {
			all = append(all, reading{at, math.Round(float64(r.Value))})
		}
	}})
	if err != nil {
		return nil, err
	}
	err = read(path, func(frames []canbus.Frame) {
		for i := range frames {
			c.Frame(&frames[i])
		}
	})
	if err != nil {
		return nil, err
	}
	const six = 6
	if len(all) < six {
		return nil, fmt.Errorf("the rotor's speed is heard too rarely in %s", path)
	}
	slices.SortFunc(all, func(a, b reading) int { return cmp.Compare(a.rpm, b.rpm) })
	var flags []string
	for i := range six {
		r := all[i*(len(all)-1)/(six-1)]
		flags = append(flags, "--reading", strconv.FormatFloat(r.at, 'f', 1, 64)+"="+strconv.FormatFloat(r.rpm, 'f', 0, 64))
	}
	return flags, nil
}
