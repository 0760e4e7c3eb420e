package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/internal/problem"
	"chaffinch/store/export"
	"chaffinch/store/export/fetch"
	"chaffinch/store/export/report"

	"github.com/spf13/cobra"
	"golang.org/x/term"
)

type exportFlags struct {
	store, from   string
	format, out   string
	shift         uint32
	all           bool
	after, before string
	code, tokens  string
	units, zone   string
	certificate   string
}

func exportVerb(s streams) *cobra.Command {
	var f exportFlags
	cmd := &cobra.Command{
		Use:   "export (--store FILE | --from URL) --format FORMAT",
		Short: "Hand over what was recorded, as tables, maps or task data",
		Long: `Export writes what was recorded, of the newest shift if nothing else is said:

` + formatList() + `
With --store it reads the file of a store that no daemon uses. With --from it
fetches a shift from a running program, over its page; pair once with --code and the
digits that the program shows. What came is kept when the connection breaks, and the
same command goes on from there.

Dates come from clocks that could be trusted. Where there was none, they are
empty or null, and the export says so.

With csv and --out the alerts are written beside, as NAME.events.csv.`,
		Example: `  chaffinch export --store /var/lib/chaffinch/chaffinch.db --format csv --out monday.csv
  chaffinch export --store chaffinch.db --format geojson --shift 12 --out shift12.geojson
  chaffinch export --store chaffinch.db --format jsonl --after 2026-07-01T00:00:00Z --before 2026-08-01T00:00:00Z
  chaffinch export --from http://192.168.7.1:8080 --code 123456 --format isoxml`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, args []string) error { return exportRun(cmd.Context(), s, f) },
	}
	cmd.Flags().StringVar(&f.store, "store", "", "the store's file")
	cmd.Flags().StringVar(&f.from, "from", "", "the address of a program's page")
	cmd.Flags().StringVar(&f.format, "format", "", "one of "+strings.Join(formatNames(), ", "))
	cmd.Flags().Uint32Var(&f.shift, "shift", 0, "the number of a shift (default: the newest)")
	cmd.Flags().BoolVar(&f.all, "all", false, "everything, also what was between shifts; only with --store")
	cmd.Flags().StringVar(&f.after, "after", "", "only from this date on (RFC 3339); only with --store")
	cmd.Flags().StringVar(&f.before, "before", "", "only before this date; only with --store")
	cmd.Flags().StringVar(&f.out, "out", "", `where it goes (default: standard output; with --from a file of the shift's name)`)
	cmd.Flags().StringVar(&f.code, "code", "", "digits that the program shows, to pair this computer once; only with --from")
	cmd.Flags().StringVar(&f.certificate, "certificate-sha256", "", "with https: take this certificate alone; the program's log shows it")
	cmd.Flags().StringVar(&f.units, "units", "metric", "metric or us: what the report is in; only with --store")
	cmd.Flags().StringVar(&f.zone, "tz", "", "time zone of the report, such as Europe/Prague (default: this computer's); only with --store")
	cmd.Flags().StringVar(&f.tokens, "tokens", "", "file with what pairing gave (default: in the user's configuration folder)")
	return cmd
}

// exportFormats are all there are.
func exportFormats() []export.Format { return append(export.Formats(), report.Format()) }

// reportIn is the report in units and a time zone of these names.
func reportIn(units, zone string) (export.Format, error) {
	style := report.Style{Units: signal.System(units), Zone: time.Local}
	if style.Units != signal.Metric && style.Units != signal.US {
		return export.Format{}, usageError{fmt.Errorf("--units: %q is neither metric nor us", units)}
	}
	if zone != "" {
		var err error
		if style.Zone, err = time.LoadLocation(zone); err != nil {
			return export.Format{}, usageError{fmt.Errorf("--tz: there is no time zone %q: give a name such as Europe/Prague or UTC", zone)}
		}
	}
	return report.In(style), nil
}

func formatNames() (names []string) {
	for _, f := range exportFormats() {
		names = append(names, f.Name)
	}
	return names
}

func formatList() string {
	var b strings.Builder
	for _, f := range exportFormats() {
		fmt.Fprintf(&b, "  %-8s  %s\n", f.Name, f.Words)
	}
	return b.String()
}

func exportRun(ctx context.Context, s streams, f exportFlags) error {
	var form *export.Format
	for _, one := range exportFormats() {
		if one.Name == f.format {
			form = &one
		}
	}
	if form != nil && form.Name == report.Format().Name {
		in, err := reportIn(f.units, f.zone)
		if err != nil {
			return err
		}
		form = &in
	}
	switch {
	case f.format == "":
		return usageError{fmt.Errorf("--format is missing: give one of %s", strings.Join(formatNames(), ", "))}
	case form == nil:
		return usageError{fmt.Errorf("there is no format %q: give one of %s%s", f.format, strings.Join(formatNames(), ", "), problem.DidYouMean(f.format, formatNames()))}
	case (f.store == "") == (f.from == ""):
		return usageError{errors.New("give either --store with a file or --from with an address")}
	case f.from != "" && (f.all || f.after != "" || f.before != ""):
		return usageError{errors.New("--from fetches one shift: --all, --after and --before need --store")}
	case f.store != "" && (f.code != "" || f.tokens != "" || f.certificate != ""):
		return usageError{errors.New("--code, --tokens and --certificate-sha256 are for --from")}
	case f.units != "metric" && (f.from != "" || form.Name != report.Format().Name):
		return usageError{errors.New("--units is for the report of a --store: tables, maps and task data are metric, and a machine's report is in its own units")}
	case f.zone != "" && (f.from != "" || form.Name != report.Format().Name):
		return usageError{errors.New("--tz is for the report of a --store: tables, maps and task data are in UTC, and a machine's report is in its own time zone")}
	case f.all && f.shift != 0:
		return usageError{errors.New("give either --all or --shift")}
	}
	if f.from != "" {
		return exportFrom(ctx, s, f, form)
	}
	return exportStore(ctx, s, f, form)
}

func exportStore(ctx context.Context, s streams, f exportFlags, form *export.Format) (err error) {
	part := export.Part{Shift: f.shift}
	for _, one := range []struct {
		name, text string
		to         *time.Time
	}{{"--after", f.after, &part.From}, {"--before", f.before, &part.Before}} {
		if one.text == "" {
			continue
		}
		if *one.to, err = time.Parse(time.RFC3339, one.text); err != nil {
			return usageError{fmt.Errorf("%s: %q is no date: give one such as 2026-07-01T00:00:00Z", one.name, one.text)}
		}
	}
	src, err := export.Open(f.store)
	if err != nil {
		return orNotAllowed(err)
	}
	defer func() { err = errors.Join(err, src.Close()) }()
	if shifts := src.Shifts(); part == (export.Part{}) && !f.all {
		if len(shifts) == 0 {
			return &problem.Problem{What: f.store + " has no shift yet", Try: "give --all for everything"}
		}
		part.Shift = shifts[len(shifts)-1].Number
	}
	if err := exportTo(ctx, s, f.out, form, src, part); err != nil {
		return err
	}
	if f.format == "csv" && f.out != "" && f.out != "-" && !special(f.out) {
		beside, _ := formatOf("events")
		if err := exportTo(ctx, s, strings.TrimSuffix(f.out, form.Tail)+beside.Tail, beside, src, part); err != nil {
			return err
		}
	}
	if n := src.Unread(); n > 0 {
		fmt.Fprintf(s.err, "%d records could not be read and were passed over; chaffinch check-store tells more\n", n)
	}
	return nil
}

func formatOf(name string) (*export.Format, bool) {
	for _, f := range exportFormats() {
		if f.Name == name {
			return &f, true
		}
	}
	return nil, false
}

// exportTo writes to a file, which is there when it is whole and not before, into a
// device or a pipe, or to standard output.
func exportTo(ctx context.Context, s streams, out string, form *export.Format, src *export.Source, part export.Part) error {
	if out == "" || out == "-" {
		if file, ok := s.out.(*os.File); ok && form.Zipped && term.IsTerminal(int(file.Fd())) {
			return usageError{fmt.Errorf("%s is not for a terminal: give --out", form.Name)}
		}
		return form.Write(ctx, s.out, src, part)
	}
	if special(out) {
		file, err := os.OpenFile(out, os.O_WRONLY, 0)
		if err != nil {
			return err
		}
		return errors.Join(form.Write(ctx, file, src, part), file.Close())
	}
	file, err := os.CreateTemp(filepath.Dir(out), filepath.Base(out)+".*.part")
	if err != nil {
		return err
	}
	err = errors.Join(form.Write(ctx, file, src, part), file.Chmod(0o644), file.Close())
	if err == nil {
		err = os.Rename(file.Name(), out)
	}
	if err != nil {
		return errors.Join(err, os.Remove(file.Name()))
	}
	return nil
}

// exportFrom fetches a shift from a running program.
func exportFrom(ctx context.Context, s streams, f exportFlags, form *export.Format) error {
	if err := fetch.Check(f.from); err != nil {
		return usageError{err}
	}
	client, err := fetch.Pinned(f.certificate)
	if err != nil {
		return usageError{err}
	}
	base := strings.TrimRight(f.from, "/")
	tokens, err := fetch.OpenTokens(f.tokens)
	if err != nil {
		return err
	}
	c := &fetch.Client{Base: base, Token: tokens.Of(base), HTTP: client, Say: func(text string) { fmt.Fprintln(s.err, text) }}
	if f.code != "" {
		host, _ := os.Hostname()
		token, err := c.Pair(ctx, f.code, "export on "+host)
		if err != nil {
			return orNoAnswer(ctx, base, err)
		}
		if err := tokens.Keep(base, token); err != nil {
			return err
		}
	}
	offered, err := c.List(ctx)
	if err != nil {
		return orNoAnswer(ctx, base, err)
	}
	forms := []*export.Format{form}
	if f.format == "csv" && f.out != "-" && !special(f.out) {
		beside, _ := formatOf("events")
		forms = append(forms, beside)
	}
	for _, one := range forms {
		name, err := offeredName(offered, one, f.shift)
		if err != nil {
			return err
		}
		if err := fetchTo(ctx, s, c, name, f.out, form, one); err != nil {
			return err
		}
	}
	return nil
}

// orNoAnswer says what to do where nothing answers at the address.
func orNoAnswer(ctx context.Context, base string, err error) error {
	var op *net.OpError
	if ctx.Err() != nil || !errors.As(err, &op) || op.Op != "dial" {
		return err
	}
	return &problem.Problem{What: "nothing answers at " + base, Err: op.Err,
		Try: "see that the machine's computer is on, and this one in its network; chaffinch status there shows the address of its page"}
}

func fetchTo(ctx context.Context, s streams, c *fetch.Client, name, out string, main, form *export.Format) error {
	path := name
	if out != "" {
		path = out
	}
	if out != "" && form != main {
		path = strings.TrimSuffix(out, main.Tail) + form.Tail
	}
	into := out == "-" || special(out)
	if into {
		folder, err := os.MkdirTemp("", "chaffinch-export-")
		if err != nil {
			return err
		}
		defer os.RemoveAll(folder)
		path = filepath.Join(folder, name)
	}
	if err := c.Get(ctx, name, path); err != nil {
		return err
	}
	if !into {
		fmt.Fprintln(s.err, path)
		return nil
	}
	file, err := os.Open(path)
	if err != nil {
		return err
	}
	defer file.Close()
	if out == "-" {
		_, err = io.Copy(s.out, file)
		return err
	}
	device, err := os.OpenFile(out, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	_, err = io.Copy(device, file)
	return errors.Join(err, device.Close())
}

// offeredName is the name of a shift in a form: of the newest if the number is 0.
func offeredName(offered []fetch.Item, form *export.Format, shift uint32) (string, error) {
	like := regexp.MustCompile(`^shift-(\d+)` + regexp.QuoteMeta(form.Tail) + `$`)
	for _, d := range offered {
		if m := like.FindStringSubmatch(d.Name); m != nil && (shift == 0 || m[1] == fmt.Sprint(shift)) {
			return d.Name, nil
		}
	}
	if shift == 0 {
		return "", &problem.Problem{What: "the machine has no shift to fetch yet", Try: "try again when it has cut"}
	}
	return "", &problem.Problem{What: fmt.Sprintf("the machine does not offer shift %d", shift), Try: "leave --shift out for the newest; older ones are in its store"}
}
