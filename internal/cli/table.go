package cli

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"plumbline/internal/result"
	"plumbline/internal/tooth"
	"plumbline/internal/words"
)

// writeCase prints one measured case in full.
func writeCase(out io.Writer, c result.Case, system tooth.System) error {
	fmt.Fprintf(out, "Case %s, placed %s by %s\n", c.Case, c.Placed, c.Clinician)
	fmt.Fprintf(out, "Scans aligned by: %s\n", c.Alignment.Method)
	for _, f := range c.Fixtures {
		if err := writeFixture(out, f, system); err != nil {
			return err
		}
	}
	flags := append(append([]result.Flag{}, c.Flags...), c.Alignment.Flags...)
	for _, f := range c.Fixtures {
		flags = append(flags, f.Flags...)
	}
	writeFlags(out, flags)
	if c.InDoubt() {
		fmt.Fprintln(out, "\nThese figures are not to be relied on until the doubts above are settled.")
	}
	fmt.Fprintln(out, "\n"+strings.Join(words.Cautions, "\n"))
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

func writeFixture(out io.Writer, f result.Fixture, system tooth.System) error {
	n, text := label(f.Site, system)
	numbering := "ISO 3950"
	if system == tooth.Universal {
		numbering = "universal"
	}
	fmt.Fprintf(out, "\nSite %s (%s, %s), %.1f × %.1f mm, %s\n", text, numbering, n.Name(), f.Planned.Diameter, f.Planned.Length, words.Guidance(f.Guidance))
	if f.Deviation == nil {
		fmt.Fprintln(out, "  no fixture was found; there are no figures")
		return nil
	}
	d, u := f.Deviation, f.Uncertainty
	w := tabwriter.NewWriter(out, 0, 0, 3, ' ', 0)
	row := func(name, value, interval, note string) {
		line := fmt.Sprintf("  %s\t%s\t%s\t%s", name, value, interval, note)
		fmt.Fprintln(w, strings.TrimRight(line, "\t"))
	}
	floor := func(v, floor float64, unit string) string {
		if v < floor {
			return fmt.Sprintf("not distinguishable from zero (floor %.2f %s)", floor, unit)
		}
		return fmt.Sprintf("floor %.2f %s", floor, unit)
	}
	fmt.Fprintln(w, "  achieved against planned\t\t95 % interval")
	row("entry", fmt.Sprintf("%.2f mm", d.Entry), words.Interval(u.Entry, "mm"), floor(d.Entry, u.Floor.Entry, "mm"))
	row("  across the axis", fmt.Sprintf("%.2f mm", d.EntryLateral), words.Interval(u.EntryLateral, "mm"), "")
	row("  along the axis", words.Depth(d.EntryDepth), words.DepthInterval(u.EntryDepth), "")
	if d.EntryMesial != nil {
		row("  mesiodistal", words.Mesial(*d.EntryMesial), words.MesialInterval(*u.EntryMesial), "")
		row("  buccolingual", words.Buccal(*d.EntryBuccal, n), words.BuccalInterval(*u.EntryBuccal, n), "")
	}
	row("apex", fmt.Sprintf("%.2f mm", d.Apex), words.Interval(u.Apex, "mm"), floor(d.Apex, u.Floor.Apex, "mm"))
	row("  across the axis", fmt.Sprintf("%.2f mm", d.ApexLateral), words.Interval(u.ApexLateral, "mm"), "")
	row("  along the axis", words.Depth(d.ApexDepth), words.DepthInterval(u.ApexDepth), "")
	if d.ApexMesial != nil {
		row("  mesiodistal", words.Mesial(*d.ApexMesial), words.MesialInterval(*u.ApexMesial), "")
		row("  buccolingual", words.Buccal(*d.ApexBuccal, n), words.BuccalInterval(*u.ApexBuccal, n), "")
	}
	row("angle", fmt.Sprintf("%.2f °", d.Angle), words.Interval(u.Angle, "°"), floor(d.Angle, u.Floor.Angle, "°"))
	if d.TiltMesial != nil {
		row("  mesiodistal tilt of the apex", words.TiltMesial(*d.TiltMesial), words.TiltMesialInterval(*u.TiltMesial), "")
		row("  buccolingual tilt of the apex", words.TiltBuccal(*d.TiltBuccal, n), words.TiltBuccalInterval(*u.TiltBuccal, n), "")
	}
	if err := w.Flush(); err != nil {
		return err
	}
	return writeClearances(out, f.Clearance)
}

func writeClearances(out io.Writer, list []result.Clearance) error {
	if len(list) == 0 {
		return nil
	}
	fmt.Fprintln(out)
	w := tabwriter.NewWriter(out, 0, 0, 3, ' ', 0)
	fmt.Fprintln(w, "  clearance to\tplanned\tachieved\t95 % interval\tmargin")
	for _, c := range list {
		achieved, interval, margin := "not known", "", "none"
		if c.Achieved != nil {
			achieved = words.Clearance(*c.Achieved)
		}
		if c.Low != nil && c.High != nil {
			interval = fmt.Sprintf("%.2f to %.2f mm", *c.Low, *c.High)
		}
		if c.Margin != nil {
			margin = fmt.Sprintf("%.1f mm", *c.Margin)
		}
		fmt.Fprintf(w, "  %s (%s)\t%s\t%s\t%s\t%s: %s\n", c.Structure, c.Kind, words.Clearance(c.Planned), achieved, interval, margin, words.Margin(c))
	}
	return w.Flush()
}

// writeFlags prints flags, doubts first.
func writeFlags(out io.Writer, flags []result.Flag) {
	heading := map[result.Level]string{result.Doubt: "\nDoubts", result.Notice: "\nNotes"}
	for _, level := range []result.Level{result.Doubt, result.Notice} {
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
func writeCases(out io.Writer, cases []result.Case, system tooth.System) error {
	if len(cases) == 0 {
		return nil
	}
	w := tabwriter.NewWriter(out, 0, 0, 3, ' ', 0)
	fmt.Fprintln(w, "case\tplaced\tsite\tentry mm\tapex mm\tangle °\ttightest margin\tto be relied on")
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
	fmt.Fprintln(out, "± is twice the standard uncertainty.\n\n"+strings.Join(words.Cautions, "\n"))
	return nil
}

func doubtCodes(c result.Case, f result.Fixture) []string {
	var out []string
	for _, list := range [][]result.Flag{c.Flags, c.Alignment.Flags, f.Flags} {
		for _, flag := range list {
			if flag.Level == result.Doubt {
				out = append(out, flag.Code)
			}
		}
	}
	return out
}

// tightest names the structure whose margin is kept least.
func tightest(list []result.Clearance) string {
	best, out := 0.0, ""
	for _, c := range list {
		if c.Achieved == nil || c.Margin == nil {
			continue
		}
		if left := *c.Achieved - *c.Margin; out == "" || left < best {
			best, out = left, fmt.Sprintf("%s %s of %.1f mm", c.Structure, words.Clearance(*c.Achieved), *c.Margin)
		}
	}
	return out
}
