package cli

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"
)

// manual is the manual page, in roff with the man macros, made from the tree of
// commands that the help is made from. It is one page, with exit statuses and
// environment; the library's own writer makes a page a command, without these,
// and would link a Markdown parser into the program.
func manual(root *cobra.Command, version string) string {
	var b strings.Builder
	fmt.Fprintf(&b, ".TH PLUMBLINE 1 \"\" \"plumbline %s\" \"User commands\"\n", roff(version))
	b.WriteString(".SH NAME\nplumbline \\- " + roff(purpose) + "\n")
	b.WriteString(".SH SYNOPSIS\n.B plumbline\n.I COMMAND\n[options] \\[u2026]\n")
	b.WriteString(".SH DESCRIPTION\n" + roffText(caution) + ".SH COMMANDS\n")
	for _, c := range commandsBelow(root) {
		fmt.Fprintf(&b, ".SS \"%s\"\n%s.PP\n", roff(useLine(c)), roffText(sentenceCase(c.Short)+"."))
		b.WriteString(roffText(c.Long))
		last := "Options"
		for _, flag := range flagsOf(c) {
			if heading := headingOf(flag); heading != last {
				b.WriteString(".PP\n" + roffLine(heading+":"))
				last = heading
			}
			head, text := optionOf(flag)
			fmt.Fprintf(&b, ".TP\n.B %s\n%s", roff(head), roffText(text))
		}
		b.WriteString(".PP\nExamples:\n.PP\n.nf\n")
		for line := range strings.SplitSeq(c.Example, "\n") {
			b.WriteString(".RS\n" + roffLine(line) + ".RE\n")
		}
		b.WriteString(".fi\n")
	}
	b.WriteString(".SH \"EXIT STATUS\"\n")
	for _, s := range exits {
		fmt.Fprintf(&b, ".TP\n.B %d\n%s", s.status, roffText(s.means))
	}
	b.WriteString(".SH ENVIRONMENT\n" + roffText(environment))
	return b.String()
}

// commandsBelow are all commands below one, each before those below itself.
func commandsBelow(c *cobra.Command) []*cobra.Command {
	var out []*cobra.Command
	for _, below := range c.Commands() {
		if !below.Hidden {
			out = append(append(out, below), commandsBelow(below)...)
		}
	}
	return out
}

func sentenceCase(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// roff keeps characters that roff would take for its own.
func roff(s string) string {
	return strings.NewReplacer(`\`, `\e`, "-", `\-`, `"`, `\(dq`, "…", `\[u2026]`, "°", `\(de`).Replace(s)
}

// roffLine is a line of text, which roff must not take for a request.
func roffLine(s string) string {
	s = roff(s)
	if strings.HasPrefix(s, ".") || strings.HasPrefix(s, "'") {
		s = `\&` + s
	}
	return s + "\n"
}

// roffText fills paragraphs; the lines of one that is laid out stay lines.
func roffText(text string) string {
	var b strings.Builder
	for i, paragraph := range strings.Split(strings.TrimSpace(text), "\n\n") {
		if i > 0 {
			b.WriteString(".PP\n")
		}
		if laidOut(paragraph) {
			b.WriteString(".nf\n")
		}
		for line := range strings.Lines(paragraph) {
			b.WriteString(roffLine(strings.TrimRight(line, "\n")))
		}
		if laidOut(paragraph) {
			b.WriteString(".fi\n")
		}
	}
	return b.String()
}
