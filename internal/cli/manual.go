package cli

import (
	"fmt"
	"strings"

	"github.com/spf13/pflag"
)

// manual is the manual page, in roff with the man macros, from what the help
// is made of.
func manual(version string) string {
	var b strings.Builder
	fmt.Fprintf(&b, ".TH PLUMBLINE 1 \"\" \"plumbline %s\" \"User commands\"\n", roff(version))
	b.WriteString(".SH NAME\nplumbline \\- " + roff(purpose) + "\n")
	b.WriteString(".SH SYNOPSIS\n.B plumbline\n.I COMMAND\n[options] \\[u2026]\n")
	b.WriteString(".SH DESCRIPTION\n" + roffText(caution) + ".SH COMMANDS\n")
	for _, c := range commands() {
		flags, _ := c.flags()
		fmt.Fprintf(&b, ".SS \"plumbline %s %s\"\n%s.PP\n%s", roff(c.name), roff(c.args), roffText(sentenceCase(c.short)+"."), roffText(c.long))
		flags.VisitAll(func(f *pflag.Flag) {
			head, text := optionOf(f)
			fmt.Fprintf(&b, ".TP\n.B %s\n%s", roff(head), roffText(text))
		})
		b.WriteString(".PP\nExamples:\n.PP\n.nf\n")
		for _, e := range c.examples {
			b.WriteString(".RS\n" + roffLine(e) + ".RE\n")
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

// roffText fills paragraphs; one with indented lines stays as it is.
func roffText(text string) string {
	var b strings.Builder
	for i, paragraph := range strings.Split(strings.TrimSpace(text), "\n\n") {
		if i > 0 {
			b.WriteString(".PP\n")
		}
		laidOut := strings.HasPrefix(paragraph, " ") || strings.Contains(paragraph, "\n ")
		if laidOut {
			b.WriteString(".nf\n")
		}
		for line := range strings.Lines(paragraph) {
			b.WriteString(roffLine(strings.TrimRight(line, "\n")))
		}
		if laidOut {
			b.WriteString(".fi\n")
		}
	}
	return b.String()
}
