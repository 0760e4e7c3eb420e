package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"
)

// manualVerb writes the manual page for the package. It is hidden: people type
// "man chaffinch".
func manualVerb(s streams) *cobra.Command {
	return &cobra.Command{
		Use: "manual", Hidden: true, Short: "Write the manual page",
		Long:    "Manual writes what --help says of every verb as a manual page, for man(1).",
		Example: "  chaffinch manual | man -l -",
		RunE: func(cmd *cobra.Command, _ []string) error {
			_, err := fmt.Fprint(s.out, manual(cmd.Root()))
			return err
		},
	}
}

// manual is the page in the language of man(7).
func manual(root *cobra.Command) string {
	var b strings.Builder
	line := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
	line(`.TH CHAFFINCH 1 "" "chaffinch" "User Commands"`)
	line(".SH NAME")
	line(`chaffinch \- listen to a combine's bus, warn, advise and record`)
	line(".SH SYNOPSIS")
	line(".B chaffinch")
	line(".I VERB")
	line(`[\fIFLAGS\fR]`)
	line(".SH DESCRIPTION")
	line("%s", roff(root.Long))
	line(".SH VERBS")
	for _, verb := range root.Commands() {
		if verb.Hidden || verb.Name() == "help" || verb.Name() == "completion" {
			continue
		}
		writeVerb(line, verb)
	}
	line(".SH EXIT STATUS")
	line("0 done, 1 failed, 2 wrong use.")
	line(`.B check-store`)
	line("gives 3 for a damaged store.")
	line(".SH FILES")
	for _, f := range [][2]string{
		{defaultConfig, "the configuration, with every key explained"},
		{"/var/lib/chaffinch", "the record, and the phones that are paired"},
		{"/run/chaffinch/status.json", "how the daemon is"},
		{"/usr/share/doc/chaffinch/INSTALL.md", "how to install it on a machine"},
	} {
		line(".TP")
		line(".I %s", f[0])
		line("%s", f[1])
	}
	return b.String()
}

func writeVerb(line func(string, ...any), verb *cobra.Command) {
	line(".SS %s", roff(verb.CommandPath()))
	line(".B %s", roff(verb.UseLine()))
	line(".PP")
	text := verb.Long
	if text == "" {
		text = verb.Short + "."
	}
	for i, paragraph := range strings.Split(text, "\n\n") {
		if i > 0 {
			line(".PP")
		}
		if strings.HasPrefix(paragraph, "  ") { // a list, set as it is
			line(".nf\n%s\n.fi", roff(paragraph))
			continue
		}
		line("%s", roff(paragraph))
	}
	var flags []string
	for _, f := range strings.Split(verb.LocalFlags().FlagUsages(), "\n") {
		if strings.TrimSpace(f) != "" && !strings.Contains(f, "--help") {
			flags = append(flags, f)
		}
	}
	if len(flags) > 0 {
		line(".PP\n.nf\n%s\n.fi", roff(strings.Join(flags, "\n")))
	}
	if verb.Example != "" {
		line(".PP\n.nf\n%s\n.fi", roff(verb.Example))
	}
	for _, under := range verb.Commands() {
		writeVerb(line, under)
	}
}

// roff has a text mean itself to troff.
func roff(text string) string {
	text = strings.NewReplacer(`\`, `\e`, "-", `\-`).Replace(strings.TrimRight(text, "\n"))
	lines := strings.Split(text, "\n")
	for i, l := range lines {
		if strings.HasPrefix(l, ".") || strings.HasPrefix(l, "'") {
			lines[i] = `\&` + l
		}
	}
	return strings.Join(lines, "\n")
}
