package cli

import (
	"fmt"
	"regexp"
	"strings"
	"unicode/utf8"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	reports "plumbline/internal/report"
)

// exits are the exit statuses and what they mean.
var exits = []struct {
	status int
	means  string
}{
	{Done, "done"},
	{Failed, "failed for a reason that is not the input's, such as a full disk"},
	{BadInput, "bad usage or bad input; nothing was measured"},
	{InDoubt, "measured, but not to be relied on; the flags say why"},
	{Interrupted, "stopped by Ctrl-C; what was written is kept"},
}

const environment = `No variable changes a figure. GOMAXPROCS is the number of processor cores to use, and
GOMEMLIMIT the memory to aim at, as in 2GiB. Nothing is printed in colour. Progress is
drawn on one line on a terminal, and told in a line a step elsewhere.
`

const caution = `An audit aid for people who are licensed to place fixtures. It is not a device for
diagnosis or for deciding on treatment. A follow-up scan is taken for a clinical
reason, never for an audit alone. Local codes and licensed judgement come first.
`

const purpose = "measure how far a placed dental fixture lies from its plan"

// tries are the command lines to begin with.
var tries = []string{"plumbline phantom --demo demo", "plumbline measure --report C-101.html demo/C-101"}

// mostColumns keeps the lines of a help short enough to be read on a wide
// terminal.
const mostColumns = 100

// width is how wide text may be on a terminal of so many columns; 0 where that is
// not known.
func width(columns int) int {
	if columns <= 0 {
		return reports.UnknownWidth
	}
	return columns
}

// help is the page of a command, for a terminal of a width in columns.
func help(c *cobra.Command, columns int) string {
	w := &writer{columns: min(columns, mostColumns)}
	w.fill(strings.TrimSpace(c.CommandPath())+": "+c.Short, "", "  ")
	w.heading("Usage")
	w.fill(useLine(c), "  ", "    ")
	if c.Long != "" {
		w.WriteString("\n")
		w.paragraphs(c.Long, "")
	}
	w.commands(c)
	w.options(c)
	examples := "Examples"
	lines := strings.Split(c.Example, "\n")
	if !c.HasParent() {
		examples, lines = "To try it", tries
	}
	w.heading(examples)
	for _, line := range lines {
		w.commandLine(line)
	}
	w.heading("Exit status")
	for _, e := range exits {
		w.fill(e.means, fmt.Sprintf("  %-3d  ", e.status), strings.Repeat(" ", 7))
	}
	if !c.HasParent() {
		w.heading("Environment")
		w.paragraphs(environment, "  ")
		w.WriteString("\n")
		w.paragraphs(caution, "")
	}
	return w.String()
}

// useLine is how a command is typed.
func useLine(c *cobra.Command) string {
	name, follows, _ := strings.Cut(c.Use, " ")
	line := c.CommandPath()
	if c.HasParent() && len(flagsOf(c)) > 0 {
		line += " [options]"
	}
	if c.HasSubCommands() {
		follows = "COMMAND …"
	}
	if !c.HasParent() {
		line = name
	}
	return strings.TrimSpace(line + " " + follows)
}

// flagsOf are the flags of a command in the order of the help, without --help.
func flagsOf(c *cobra.Command) []*pflag.Flag {
	var out []*pflag.Flag
	c.Flags().VisitAll(func(flag *pflag.Flag) {
		if flag.Name != "help" {
			out = append(out, flag)
		}
	})
	return out
}

// headingOf is what a flag stands under in the help.
func headingOf(flag *pflag.Flag) string {
	if heading := flag.Annotations[headingKey]; heading != nil {
		return heading[0]
	}
	return "Options"
}

// optionOf gives an option's name and value, and what it does.
func optionOf(flag *pflag.Flag) (head, text string) {
	value, text := pflag.UnquoteUsage(flag)
	head = "--" + flag.Name
	switch flag.Value.Type() {
	case "bool":
		return head, text
	case "string":
		value = strings.ToUpper(value)
	}
	if flag.DefValue != "" && flag.DefValue != "0" {
		text += " (default " + flag.DefValue + ")"
	}
	return head + " " + value, text
}

// writer lays a page out in a width.
type writer struct {
	strings.Builder
	columns int
}

func (w *writer) heading(text string) { w.WriteString("\n" + text + "\n") }

// commands lists those below a command.
func (w *writer) commands(c *cobra.Command) {
	widest := 0
	for _, name := range commandNames(c) {
		widest = max(widest, len(name))
	}
	if widest == 0 {
		return
	}
	w.heading("Commands")
	for _, below := range c.Commands() {
		if !below.Hidden {
			w.fill(below.Short, fmt.Sprintf("  %-*s  ", widest, below.Name()), strings.Repeat(" ", widest+4))
		}
	}
}

func (w *writer) options(c *cobra.Command) {
	if !c.HasParent() {
		return // version and help are listed as commands
	}
	last := ""
	for _, flag := range flagsOf(c) {
		if heading := headingOf(flag); heading != last {
			w.heading(heading)
			last = heading
		}
		head, text := optionOf(flag)
		w.fill(head, "  ", "    ")
		w.fill(text, "        ", "        ")
	}
}

// fill breaks a text into lines; what they begin with is given for the first and
// for the others.
func (w *writer) fill(text, first, others string) {
	line, used := first, utf8.RuneCountInString(first)
	begun := false
	for _, word := range strings.Fields(text) {
		n := utf8.RuneCountInString(word)
		switch {
		case !begun:
		case used+1+n > w.columns:
			w.WriteString(line + "\n")
			line, used = others, utf8.RuneCountInString(others)
		default:
			line, used = line+" ", used+1
		}
		line, used, begun = line+word, used+n, true
	}
	w.WriteString(strings.TrimRight(line, " ") + "\n")
}

// paragraphs fills paragraphs. The lines of one that has an indented line stay
// lines.
func (w *writer) paragraphs(text, indent string) {
	for i, paragraph := range strings.Split(strings.TrimSpace(text), "\n\n") {
		if i > 0 {
			w.WriteString("\n")
		}
		if !laidOut(paragraph) {
			w.fill(paragraph, indent, indent)
			continue
		}
		for line := range strings.Lines(paragraph) {
			line = strings.TrimRight(line, "\n")
			if utf8.RuneCountInString(indent+line) <= w.columns {
				w.WriteString(indent + line + "\n")
				continue
			}
			own := indent + line[:len(line)-len(strings.TrimLeft(line, " "))]
			w.fill(line, own, own+"  ")
		}
	}
}

// laidOut reports whether the lines of a paragraph stay as they are.
func laidOut(paragraph string) bool {
	return strings.HasPrefix(paragraph, " ") || strings.Contains(paragraph, "\n ")
}

// argument is a word of a command line, with what stands in quotes in it.
var argument = regexp.MustCompile(`(?:'[^']*'|\S)+`)

// commandLine writes a command line. One that is too long goes on after a \ at
// the end of a line, so that it can still be copied into a shell.
func (w *writer) commandLine(line string) {
	const indent, goesOn = "  ", " \\"
	if utf8.RuneCountInString(indent+line) <= w.columns {
		w.WriteString(indent + line + "\n")
		return
	}
	text := indent
	for i, word := range argument.FindAllString(line, -1) {
		if i > 0 && utf8.RuneCountInString(text+" "+word+goesOn) > w.columns {
			w.WriteString(text + goesOn + "\n")
			text = indent + indent
		} else if i > 0 {
			text += " "
		}
		text += word
	}
	w.WriteString(text + "\n")
}
