package main

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"syscall"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/decode"
	"chaffinch/internal/config"
	"chaffinch/internal/core"

	"go.einride.tech/can"
)

// perform does one of the parts of the way of a frame, on one log.
func perform(stage, settings, path string) error {
	switch stage {
	case "library":
		return library(path)
	case "memory":
		return fromMemory(settings, path)
	}
	cfg, err := load(settings)
	if err != nil {
		return err
	}
	each := func(*canbus.Frame) {}
	switch stage {
	case "parse":
	case "decode":
		var timeline canbus.Timeline
		decoder, err := decode.New(cfg.Decode())
		if err != nil {
			return err
		}
		each = func(f *canbus.Frame) {
			timeline.Place(f)
			decoder.Decode(f)
		}
	default:
		return fmt.Errorf("no stage %q", stage)
	}
	return read(path, func(frames []canbus.Frame) {
		for i := range frames {
			each(&frames[i])
		}
	})
}

// read hands over a log, some frames at a time.
func read(path string, each func([]canbus.Frame)) error {
	log, err := canbus.OpenLogs(path)
	if err != nil {
		return err
	}
	defer log.Close()
	batch := make([]canbus.Frame, 512)
	for {
		n, err := log.Read(batch)
		each(batch[:n])
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
	}
}

// load reads a configuration; none is the built-in one.
func load(path string) (*config.Config, error) {
	if path == "" {
		return config.Default(), nil
	}
	cfg, wrong := config.Load(path)
	return cfg, errors.Join(wrong...)
}

// library reads a candump log by the CAN library's own parser and nothing else.
func library(path string) error {
	file, err := os.Open(path)
	if err != nil {
		return err
	}
	defer file.Close()
	lines := bufio.NewScanner(file)
	frames := 0
	for lines.Scan() {
		_, text, _ := bytes.Cut(lines.Bytes(), []byte(") "))
		_, text, _ = bytes.Cut(text, []byte(" "))
		var f can.Frame
		if err := f.UnmarshalString(string(text)); err == nil {
			frames++
		}
	}
	if frames == 0 {
		return errors.New("no frame was found")
	}
	return lines.Err()
}

// fromMemory holds all frames in memory before the core gets them, and tells the
// time that the core took.
func fromMemory(settings, path string) error {
	cfg, err := load(settings)
	if err != nil {
		return err
	}
	var frames []canbus.Frame
	if err := read(path, func(some []canbus.Frame) { frames = append(frames, some...) }); err != nil {
		return err
	}
	c, err := core.New(cfg, core.Outputs{})
	if err != nil {
		return err
	}
	return timed(len(frames), func() {
		for i := range frames {
			c.Frame(&frames[i])
		}
		c.Finish()
	})
}

// timed runs the work and tells how long it took this process's processor: the last
// line of the output is what the table takes instead of the whole process's time.
func timed(frames int, work func()) error {
	before, err := cpu()
	if err != nil {
		return err
	}
	work()
	after, err := cpu()
	if err != nil {
		return err
	}
	fmt.Printf("%d frames %.6f s\n", frames, (after - before).Seconds())
	return nil
}

// cpu is the processor time of this process so far.
func cpu() (time.Duration, error) {
	var use syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &use); err != nil {
		return 0, err
	}
	return time.Duration(use.Utime.Nano() + use.Stime.Nano()), nil
}
