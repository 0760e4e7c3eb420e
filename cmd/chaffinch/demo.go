package main

import (
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"chaffinch/canbus/virtual"
	"chaffinch/detect"
	"chaffinch/detect/advise"
	"chaffinch/internal/config"
	"chaffinch/internal/daemon"
	"chaffinch/publish/phone"

	"github.com/spf13/cobra"
)

type demoFlags struct {
	speed, hours  float64
	listen, store string
	page          string
	seed          uint64
}

func demoVerb(s streams) *cobra.Command {
	f := demoFlags{speed: 1, seed: 1}
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Run the whole daemon on a make-believe combine",
		Long: `Demo runs the daemon as it is, with its store, its MQTT broker and its page
for a phone, on a make-believe combine in a make-believe field, and prints each
alert, prompt and verdict as it comes. The first comes within a minute. When a prompt is answered
with done, the make-believe machine is set so. At the end of its first pass, and for a
check that is asked for, it stands for two and a half minutes of its time: checks and
set-up are open then. Nothing of it is a real machine.`,
		Example: `  chaffinch demo
  chaffinch demo --speed 20 --listen 127.0.0.1:1884
  chaffinch demo --page :8080`,
		RunE: func(cmd *cobra.Command, args []string) error { return demo(cmd, s, f) },
	}
	cmd.Flags().Float64Var(&f.speed, "speed", f.speed, "times real time, 0.1 to 1000")
	cmd.Flags().Float64Var(&f.hours, "hours", 0, "length of the make-believe day (default: the scenario's own)")
	cmd.Flags().StringVar(&f.listen, "listen", "127.0.0.1:1883", "where the MQTT broker listens")
	cmd.Flags().StringVar(&f.page, "page", "127.0.0.1:8080", "where the page listens; :8080 lets phones of this network in, \"\" is no page")
	cmd.Flags().StringVar(&f.store, "store", "", "where to keep the record (default: a temporary file)")
	cmd.Flags().Uint64Var(&f.seed, "seed", f.seed, "which of the many possible days")
	return cmd
}

// standsS is how many seconds the make-believe machine stands at the end of its first
// pass, and of one after each check that is asked for: checks and set-up are only
// open while a machine stands.
const standsS = 150

func demo(cmd *cobra.Command, s streams, f demoFlags) error {
	if !(f.speed >= 0.1 && f.speed <= 1000) {
		return usageError{errors.New("--speed is from 0.1 to 1000")}
	}
	if !(f.hours >= 0 && f.hours <= 24) {
		return usageError{errors.New("--hours is up to 24")}
	}
	exe, err := os.Executable()
	if err != nil {
		return fmt.Errorf("demo: find the program itself: %w", err)
	}
	folder, err := os.MkdirTemp("", "chaffinch-demo-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(folder)
	if f.store == "" {
		f.store = filepath.Join(folder, "store.db")
	} else if f.store, err = filepath.Abs(f.store); err != nil {
		return err
	}

	scenario := virtual.Demo()
	if f.hours > 0 {
		scenario = virtual.DemoFor(f.hours)
	}
	now := time.Now().Truncate(time.Second)
	scenario.Start = now.UTC().Format(time.RFC3339)
	cfg, err := virtualConfig(scenario)
	if err != nil {
		return err
	}
	cfg.Store.Path, cfg.MQTT.Listen, cfg.Phone.Listen = f.store, f.listen, f.page
	for _, p := range cfg.Phone.Validate() {
		return usageError{fmt.Errorf("--page: %w", p)}
	}

	host, port, err := net.SplitHostPort(f.listen)
	if err != nil {
		return usageError{fmt.Errorf("--listen: %w; give address:port, such as 127.0.0.1:1883", err)}
	}
	if host == "" || port == "0" {
		return usageError{errors.New("--listen: give address:port, such as 127.0.0.1:1883")}
	}
	free, err := net.Listen("tcp", f.listen)
	if err != nil {
		return fmt.Errorf("the broker cannot listen: %w; give another address with --listen, such as 127.0.0.1:1884", err)
	}
	free.Close()
	if f.page != "" {
		if free, err = net.Listen("tcp", f.page); err != nil {
			return fmt.Errorf("the page cannot be served: %w; give another address with --page, such as 127.0.0.1:8081", err)
		}
		free.Close()
	}
	fmt.Fprintf(s.out, `A make-believe combine in make-believe %s, at %g times real time. Ctrl-C ends it.
The first alert comes in under a minute of its time. To look on from elsewhere:
  mosquitto_sub -h %s -p %s -v -t 'chaffinch/v1/#'

`, scenario.Crop, f.speed, host, port)
	combine := virtual.New(scenario, f.seed)
	combine.Stay(standsS)
	source := daemon.NewPretend(combine, now, f.speed, daemon.Clock{})
	out := &inTurn{w: s.out}
	teller := &teller{w: out, active: map[uint64]detect.Priority{}}
	return daemon.Run(cmd.Context(), daemon.Options{
		Config:  cfg,
		Source:  source,
		SelfExe: exe,
		Log:     slog.New(slog.NewTextHandler(s.err, &slog.HandlerOptions{Level: slog.LevelWarn})),
		Told:    teller.tell,
		Noted:   func(n *advise.Note) { teller.note(n); obey(source, n) },
		Version: version(),
		ShowCode: func(c phone.Code) {
			fmt.Fprintf(out, "The page, with the code that pairs a phone in it (%s, once, within ten minutes):\n  %s\n\n", c.Role, c.URL)
			if !strings.HasPrefix(f.page, "127.") {
				fmt.Fprintln(out, c.Terminal())
			}
		},
	})
}

// virtualConfig is the configuration that suits a make-believe combine, as an
// owner would write it.
func virtualConfig(scenario virtual.Scenario) (*config.Config, error) {
	cfg, wrong := config.FromText(virtual.ConfigText(scenario))
	return cfg, errors.Join(wrong...)
}

// inTurn lets one write at a time.
type inTurn struct {
	mu sync.Mutex
	w  io.Writer
}

func (t *inTurn) Write(b []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.w.Write(b)
}

// teller prints alerts and advice as they come and go.
type teller struct {
	w      io.Writer
	active map[uint64]detect.Priority
}

// marks let an urgent alert be told from others without colour.
var marks = [...]string{detect.Low: "!  ", detect.Medium: "!! ", detect.High: "!!!"}

// tell is called by one goroutine at a time.
func (t *teller) tell(e *detect.Event) {
	clock := time.Now().Format("15:04:05")
	was, known := t.active[e.Number]
	switch {
	case e.Phase == detect.Ended:
		delete(t.active, e.Number)
		fmt.Fprintf(t.w, "%s  over %-20s after %.0f s\n", clock, e.Kind, e.Ended.Sub(e.Began).Seconds())
	case !known || was != e.Priority:
		t.active[e.Number] = e.Priority
		fmt.Fprintf(t.w, "%s  %s  %-20s %s\n", clock, marks[e.Priority], e.Kind, e.Text)
	}
}

// obey sets the make-believe machine as somebody says that it has been set, and stops
// it for a check. What it cannot do it leaves.
func obey(source *daemon.Pretend, n *advise.Note) {
	if n.Kind == advise.CheckAsked {
		source.Stay(standsS)
	}
	if n.Kind == advise.PromptClosed && n.Prompt.Closed == advise.ClosedDone && n.Prompt.To != nil {
		_ = source.Set(n.Prompt.Lever, *n.Prompt.To)
	}
}

// note is called by the same goroutine.
func (t *teller) note(n *advise.Note) {
	if text := sayNote(n); text != "" {
		fmt.Fprintf(t.w, "%s  %s\n", time.Now().Format("15:04:05"), text)
	}
}

// sayNote is a note in a line or two, or nothing where it is not worth one.
func sayNote(n *advise.Note) string {
	switch n.Kind {
	case advise.PromptOpened:
		return fmt.Sprintf("?    %-20s %s\n%36s%s", fmt.Sprintf("prompt %d", n.Prompt.ID), n.Prompt.Head, "", n.Prompt.Reason)
	case advise.PromptClosed:
		return fmt.Sprintf("     %-20s %s", fmt.Sprintf("prompt %d is over", n.Prompt.ID), advise.ClosedWords(n.Prompt.Closed))
	case advise.VerdictGiven:
		return fmt.Sprintf("=    %-20s %s", n.Verdict.Outcome, n.Verdict.Text)
	case advise.CheckAsked:
		return fmt.Sprintf("?    %-20s %s", "check", n.Check.Text)
	case advise.CheckTold:
		return fmt.Sprintf("     %-20s %s", "checked", n.Taken.Text)
	case advise.NothingMore, advise.WorkedBefore:
		return fmt.Sprintf("     %-20s %s", n.Kind, n.Remark.Text)
	}
	return ""
}
