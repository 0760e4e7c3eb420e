package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/find"
	"chaffinch/canbus/signal"
	"chaffinch/internal/problem"

	"github.com/spf13/cobra"
)

type findFlags struct {
	logs, readings, on, off []string
	iface, zone, picture    string
	step                    float64
	json                    bool
}

func findVerb(s streams) *cobra.Command {
	var f findFlags
	cmd := &cobra.Command{
		Use:   "find SIGNAL",
		Short: "Find the field of a frame that carries a signal, from what the display says",
		Long: `Find looks for a signal that no open message carries, on the owner's own
machine. Note what the cab display says, and when, while the value changes; six
readings are usually enough. Find tries every field of every message, says which
follow the readings and how sure that is, and prints a [[map]] to paste. When
nothing fits it says so.

Times are the log's own, in UTC or in the zone of --tz: 12:04:10, seconds from
the start of the log, or RFC 3339. For a signal that is on or off (header_working,
threshing_engaged, unloading) give the times at which it changed with --on and
--off. Without readings, find asks for them one by one, and says after each which
next one would help. With --interface it listens while you type what the display
says at that moment.

Somebody else reads the display and types while you drive, or you stand still.`,
		Example: `  chaffinch find rotor_speed_rpm --log day.log --reading 12:04:10=820 --reading 12:06:30=905 --reading 12:09:05=760
  chaffinch find header_working --log day.log --on 12:03:20 --off 12:05:02 --on 12:05:31
  chaffinch find rotor_speed_rpm --interface can0`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error { return runFind(cmd, s, f, args[0]) },
	}
	cmd.Flags().StringArrayVar(&f.logs, "log", nil, "recorded log; may be given more than once")
	cmd.Flags().StringVar(&f.iface, "interface", "", "listen to this interface instead of reading logs")
	cmd.Flags().StringArrayVar(&f.readings, "reading", nil, "TIME=VALUE, what the display said")
	cmd.Flags().StringArrayVar(&f.on, "on", nil, "time at which the signal went on")
	cmd.Flags().StringArrayVar(&f.off, "off", nil, "time at which it went off")
	cmd.Flags().StringVar(&f.zone, "tz", "UTC", "time zone of the times, such as Europe/Stockholm")
	cmd.Flags().Float64Var(&f.step, "step", 0, "step of the display (default: worked out from the readings)")
	cmd.Flags().StringVar(&f.picture, "picture", "", "where a picture of the best candidates goes, as SVG")
	cmd.Flags().BoolVar(&f.json, "json", false, "the result as one JSON object")
	return cmd
}

// orSignals is the signal that was meant, or all there are.
func orSignals(name string) string {
	var all []string
	for _, info := range signal.Infos {
		all = append(all, info.Name)
	}
	if meant := problem.DidYouMean(name, all); meant != "" {
		return meant
	}
	return ": give one of " + strings.Join(all, ", ")
}

func runFind(cmd *cobra.Command, s streams, f findFlags, name string) error {
	id, ok := signal.ByName(name)
	if !ok {
		return usageError{fmt.Errorf("there is no signal %q%s", name, orSignals(name))}
	}
	if (f.iface == "") == (len(f.logs) == 0) {
		return usageError{errors.New("give a --log, or an --interface to listen to")}
	}
	flag := id.Info().Flag
	if flag && len(f.readings) > 0 || !flag && len(f.on)+len(f.off) > 0 {
		return usageError{errors.New("a signal that is on or off takes --on and --off, any other --reading")}
	}
	if f.iface != "" {
		if flag || len(f.readings) > 0 {
			return usageError{errors.New("with --interface the readings are typed, and only for signals with a value")}
		}
		return findLive(cmd, s, f, id)
	}
	if slices.Contains(f.logs, "-") {
		return usageError{errors.New("find reads a log more than once, and standard input can be read once: give a file")}
	}
	if err := apart(f.logs, output{"picture", f.picture}); err != nil {
		return err
	}
	m, err := momentsOf(f)
	if err != nil {
		return err
	}
	if flag {
		changes, err := m.changes(f.on, f.off)
		if err != nil {
			return usageError{err}
		}
		return s.search(f, func(log *canbus.LogReader) (*find.Result, error) {
			return find.Flags(log, find.FlagQuery{Signal: id, Changes: changes})
		})
	}
	if len(f.readings) == 0 {
		return findAsking(s, f, id, m)
	}
	q := find.Query{Signal: id, Step: f.step}
	for _, text := range f.readings {
		stamp, value, err := m.reading(text)
		if err != nil {
			return usageError{err}
		}
		q.Readings = append(q.Readings, find.Reading{Stamp: stamp, Value: value})
	}
	return s.search(f, func(log *canbus.LogReader) (*find.Result, error) { return find.Log(log, q) })
}

// momentsOf looks up when the logs begin.
func momentsOf(f findFlags) (moments, error) {
	zone, err := time.LoadLocation(f.zone)
	if err != nil {
		return moments{}, usageError{fmt.Errorf("--tz: %w", err)}
	}
	log, err := canbus.OpenLogs(f.logs...)
	if err != nil {
		return moments{}, err
	}
	defer log.Close()
	first := make([]canbus.Frame, 1)
	for {
		n, err := log.Read(first)
		if n == 1 {
			return moments{first[0].Stamp, zone}, nil
		}
		if errors.Is(err, io.EOF) {
			return moments{}, errors.New("there is no frame in the log")
		}
		if err != nil {
			return moments{}, err
		}
	}
}

// changes puts the times of on and off in one list.
func (m moments) changes(on, off []string) ([]find.Change, error) {
	var all []find.Change
	for i, text := range append(append([]string(nil), on...), off...) {
		stamp, err := m.stamp(text)
		if err != nil {
			return nil, err
		}
		all = append(all, find.Change{Stamp: stamp, On: i < len(on)})
	}
	return all, nil
}

// search reads the logs and shows what was found.
func (s streams) search(f findFlags, look func(*canbus.LogReader) (*find.Result, error)) error {
	r, stats, err := searchLogs(f, look)
	tellWhole(s.err, stats)
	if err != nil {
		return err
	}
	return s.show(f, r)
}

func searchLogs(f findFlags, look func(*canbus.LogReader) (*find.Result, error)) (*find.Result, canbus.Stats, error) {
	log, err := canbus.OpenLogs(f.logs...)
	if err != nil {
		return nil, canbus.Stats{}, err
	}
	defer log.Close()
	r, err := look(log)
	return r, log.Stats(), err
}

func (s streams) show(f findFlags, r *find.Result) (err error) {
	if f.json {
		encoder := json.NewEncoder(s.out)
		encoder.SetIndent("", " ")
		err = encoder.Encode(r)
	} else {
		err = r.WriteText(s.out)
	}
	if f.picture == "" {
		return err
	}
	// Last, since it may fail.
	file, closeFile, err2 := create(s, f.picture)
	if err2 != nil {
		return errors.Join(err, err2)
	}
	defer closeFile(&err)
	return errors.Join(err, r.WritePicture(file))
}

// findAsking asks for readings of a log one by one.
func findAsking(s streams, f findFlags, id signal.ID, m moments) error {
	fmt.Fprintf(s.err, "%s in %s. Type TIME=VALUE, what the display said; an empty line ends.\n", id.Info().Words, id.Info().Unit)
	q := find.Query{Signal: id, Step: f.step}
	var last *find.Result
	told := false
	lines := bufio.NewScanner(s.in)
	for lines.Scan() && strings.TrimSpace(lines.Text()) != "" {
		stamp, value, err := m.reading(lines.Text())
		if err != nil {
			fmt.Fprintln(s.err, err)
			continue
		}
		q.Readings = append(q.Readings, find.Reading{Stamp: stamp, Value: value})
		if n := len(q.Readings); n < find.FewestReadings {
			fmt.Fprintf(s.err, "%d of at least %d\n", n, find.FewestReadings)
			continue
		}
		r, stats, err := searchLogs(f, func(log *canbus.LogReader) (*find.Result, error) { return find.Log(log, q) })
		if !told {
			tellWhole(s.err, stats)
			told = true
		}
		if err != nil {
			fmt.Fprintln(s.err, err)
			continue
		}
		last = r
		if s.advise(r) {
			break
		}
	}
	if last == nil {
		return errors.New("too few readings for a search")
	}
	return s.show(f, last)
}

// advise says how far a search has come, and tells whether it is done.
func (s streams) advise(r *find.Result) bool {
	fmt.Fprintf(s.err, "%s", r.Verdict)
	if r.Next != "" {
		fmt.Fprintf(s.err, ": %s", r.Next)
	}
	fmt.Fprintln(s.err)
	return r.Verdict == find.Found
}

// findLive listens while the display's values are typed.
func findLive(cmd *cobra.Command, s streams, f findFlags, id signal.ID) error {
	socket, err := canbus.OpenSocket(canbus.SocketOptions{Interface: f.iface})
	if err != nil {
		return err
	}
	defer socket.Close()
	if err := notHeard(socket.Health(), canbus.DefaultSettings().Bitrate); err != nil {
		return err
	}
	fmt.Fprintf(s.err, "Type what the display says for %s in %s, at that moment; an empty line ends.\n", id.Info().Words, id.Info().Unit)
	typed := make(chan string)
	go func() {
		defer close(typed)
		for lines := bufio.NewScanner(s.in); lines.Scan(); {
			select {
			case typed <- strings.TrimSpace(lines.Text()):
			case <-cmd.Context().Done():
				return
			}
		}
	}()
	live := liveSearch{collector: find.NewCollector(), query: find.Query{Signal: id, Step: f.step}}
	frames := make([]canbus.Frame, 256)
	for cmd.Context().Err() == nil {
		n, err := socket.Read(frames, 50*time.Millisecond)
		if err != nil {
			return err
		}
		for i := range frames[:n] {
			live.collector.Feed(&frames[i])
		}
		select {
		case text, more := <-typed:
			if !more || text == "" {
				return s.endLive(f, &live)
			}
			live.typed(s, text, canbus.LiveClock())
		default:
		}
		if live.due(canbus.LiveClock()) && live.search(s) {
			return s.endLive(f, &live)
		}
	}
	return s.endLive(f, &live)
}

// liveSearch is a search that goes on while the bus is heard.
type liveSearch struct {
	collector *find.Collector
	query     find.Query
	last      *find.Result
	searchAt  int64 // 0: nothing new to search for
}

// patience is how long after a reading its last frames may still come.
const patience = 1200 * time.Millisecond

// typed takes what was typed at a stamp.
func (l *liveSearch) typed(s streams, text string, stamp int64) {
	value, err := displayed(text)
	if err != nil {
		fmt.Fprintln(s.err, err)
		return
	}
	r := find.Reading{Stamp: stamp, Value: value}
	l.collector.Read(r)
	l.query.Readings = append(l.query.Readings, r)
	if n := len(l.query.Readings); n < find.FewestReadings {
		fmt.Fprintf(s.err, "%d of at least %d\n", n, find.FewestReadings)
		return
	}
	l.searchAt = stamp + int64(patience)
}

func (l *liveSearch) due(now int64) bool { return l.searchAt != 0 && now >= l.searchAt }

// search looks at what was collected, and tells whether the search is done.
func (l *liveSearch) search(s streams) bool {
	l.searchAt = 0
	result, err := l.collector.Find(l.query)
	if err != nil {
		fmt.Fprintln(s.err, err)
		return false
	}
	l.last = result
	return s.advise(result)
}

func (s streams) endLive(f findFlags, l *liveSearch) error {
	if l.searchAt != 0 {
		l.search(s)
	}
	if l.last == nil {
		return errors.New("too few readings for a search")
	}
	return s.show(f, l.last)
}
