package cli

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"plumbline/internal/measurement"
	"plumbline/internal/report/wording"
	"plumbline/internal/tooth"
)

// writeCase prints one measured case in full.
func writeCase(out io.Writer, c measurement.Case, system tooth.System) error {
	fmt.Fprintf(out, "Case %s, placed %s by %s\n", c.Case, c.Placed, c.Clinician)
	fmt.Fprintf(out, "Scans aligned by: %s\n", c.Alignment.Method)
	for _, f := range c.Fixtures {
		if err := writeFixture(out, f, system); err != nil {
			return err
		}
	}
	flags := append(append([]measurement.Flag{}, c.Flags...), c.Alignment.Flags...)
	for _, f := range c.Fixtures {
		flags = append(flags, f.Flags...)
	}
	writeFlags(out, flags)
	if c.InDoubt() {
		fmt.Fprintln(out, "\nThese figures are not to be relied on until the doubts above are settled.")
	}
	fmt.Fprintln(out, "\n"+strings.Join(wording.Cautions, "\n"))
	return nil
}

// label is a site's number in a numbering, and its name.
func label(site string, system tooth.System) (tooth.Number, string) {
	n, err := tooth.Parse(site, tooth.ISO3950)
	if err != nil {
		return 0, site
	}
	return n, n.Label(system)
}

func inWords(system tooth.System) string {
	if system == tooth.Universal {
		return "universal"
	}
	return "ISO 3950"
}

func writeFixture(out io.Writer, f measurement.Fixture, system tooth.System) error {
	n, text := label(f.Site, system)
	fmt.Fprintf(out, "\nSite %s (%s, %s), %.1f × %.1f mm, %s\n", text, inWords(system), n.Name(), f.Planned.Diameter, f.Planned.Length, wording.Guidance(f.Guidance))
	if f.Deviation == nil {
		fmt.Fprintln(out, "  no fixture was found; there are no figures")
		return nil
	}
	w := tabwriter.NewWriter(out, 0, 0, 3, ' ', 0)
	fmt.Fprintln(w, "  achieved against planned\t\t95 % interval")
	for _, row := range wording.Figures(f, n) {
		name := row.Name
		if row.Part {
			name = "  " + name
		}
		line := fmt.Sprintf("  %s\t%s\t%s\t%s", name, row.Value, row.Interval, row.Note)
		fmt.Fprintln(w, strings.TrimRight(line, "\t"))
	}
	if err := w.Flush(); err != nil {
		return err
	}
	return writeClearances(out, f.Clearance)
}

func writeClearances(out io.Writer, list []measurement.Clearance) error {
	if len(list) == 0 {
		return nil
	}
	fmt.Fprintln(out)
	w := tabwriter.NewWriter(out, 0, 0, 3, ' ', 0)
	fmt.Fprintln(w, "  clearance to\tplanned\tachieved\t95 % interval\tmargin")
	for _, c := range wording.ClearanceLines(list) {
		fmt.Fprintf(w, "  %s (%s)\t%s\t%s\t%s\t%s: %s\n", c.Structure, c.Kind, c.Planned, c.Achieved, c.Interval, c.Margin, c.Verdict)
	}
	return w.Flush()
}

// writeFlags prints flags, doubts first.
func writeFlags(out io.Writer, flags []measurement.Flag) {
	heading := map[measurement.Level]string{measurement.Doubt: "\nDoubts", measurement.Notice: "\nNotes"}
	for _, level := range []measurement.Level{measurement.Doubt, measurement.Notice} {
		first := true
		for _, f := range flags {
			if f.Level != level {
				continue
			}
			if first {
				fmt.Fprintln(out, heading[level])
				first = false
			}
			fmt.Fprintf(out, "  %s: %s.\n", f.Code, strings.TrimRight(f.Message, "."))
		}
	}
}

// writeCases prints many cases, a row a fixture.
func writeCases(out io.Writer, cases []measurement.Case, system tooth.System) error {
	if len(cases) == 0 {
		return nil
	}
	w := tabwriter.NewWriter(out, 0, 0, 3, ' ', 0)
	fmt.Fprintf(w, "case\tplaced\tsite (%s)\tentry mm\tapex mm\tangle °\ttightest margin\tto be relied on\n", inWords(system))
	for _, c := range cases {
		for _, f := range c.Fixtures {
			_, site := label(f.Site, system)
			trust := "yes"
			if doubts := doubtCodes(c, f); len(doubts) > 0 {
				trust = "no: " + strings.Join(doubts, ", ")
			}
			entry, apex, angle := "none", "none", "none"
			if f.Deviation != nil {
				entry = fmt.Sprintf("%.2f ± %.2f", f.Deviation.Entry, f.Uncertainty.Entry.U*2)
				apex = fmt.Sprintf("%.2f ± %.2f", f.Deviation.Apex, f.Uncertainty.Apex.U*2)
				angle = fmt.Sprintf("%.2f ± %.2f", f.Deviation.Angle, f.Uncertainty.Angle.U*2)
			}
			fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", c.Case, c.Placed, site, entry, apex, angle, tightest(f.Clearance), trust)
		}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(out, "± is twice the standard uncertainty.\n\n"+strings.Join(wording.Cautions, "\n"))
	return nil
}

func doubtCodes(c measurement.Case, f measurement.Fixture) []string {
	var out []string
	for _, list := range [][]measurement.Flag{c.Flags, c.Alignment.Flags, f.Flags} {
		for _, flag := range list {
			if flag.Level == measurement.Doubt {
				out = append(out, flag.Code)
			}
		}
	}
	return out
}

// tightest names the structure whose margin is kept least.
func tightest(list []measurement.Clearance) string {
	best, out := 0.0, ""
	for _, c := range list {
		if c.Achieved == nil || c.Margin == nil {
			continue
		}
		if left := *c.Achieved - *c.Margin; out == "" || left < best {
			best, out = left, fmt.Sprintf("%s: %s (%.1f mm asked for)", c.Structure, wording.Clearance(*c.Achieved), *c.Margin)
		}
	}
	return out
}
