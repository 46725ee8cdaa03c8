package cli

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/spf13/pflag"

	"plumbline/internal/report/wording"
	"plumbline/internal/series"
	"plumbline/internal/series/analysis"
	"plumbline/internal/stats/learningcurve"
	"plumbline/internal/tooth"
)

// showOptions say what to look at and how to print it.
type showOptions struct {
	json              bool
	clinician, target string
	cases, seed       uint64
	limits            analysis.Limits
	numbering         string
}

func (o *showOptions) add(f *pflag.FlagSet) {
	d := analysis.Defaults()
	f.BoolVar(&o.json, "json", false, "show: print JSON instead of text")
	f.StringVar(&o.clinician, "clinician", "", "show: only the cases of this `PSEUDONYM`")
	f.Uint64Var(&o.cases, "cases", uint64(d.Cases), "show: look at a clinician's first `N` cases")
	f.Float64Var(&o.limits.Entry, "entry-limit", d.Limits.Entry, "show: most `MM` of entry deviation that count as a success")
	f.Float64Var(&o.limits.Apex, "apex-limit", d.Limits.Apex, "show: most `MM` of apex deviation that count as a success")
	f.Float64Var(&o.limits.Angle, "angle-limit", d.Limits.Angle, "show: most `DEGREES` of angular deviation that count as a success")
	f.StringVar(&o.target, "target", "", "show: hold the charts against a stated `LEVEL`, as in entry_mm=1,angle_deg=3.5")
	f.StringVar(&o.numbering, "numbering", string(tooth.ISO3950), "show: tooth numbers in the text, `SYSTEM`: iso3950 or universal")
	f.Uint64Var(&o.seed, "seed", d.Seed, "show: `N` that starts the random numbers of the statistics")
}

// trend checks the options and gives them as the statistics take them.
func (o *showOptions) trend() (analysis.Options, error) {
	t := analysis.Defaults()
	t.Clinician, t.Seed, t.Limits = o.clinician, o.seed, o.limits
	t.Cases = int(min(o.cases, 1<<31-1))
	var err error
	if t.Target, err = targets(o.target); err != nil {
		return t, err
	}
	return t, checkTrend(t, "series show")
}

// checkTrend refuses options that the statistics of a command do not take.
func checkTrend(t analysis.Options, command string) error {
	// Without a row the options are all that can be wrong.
	if _, err := analysis.Analyse(nil, t); !errors.Is(err, analysis.ErrNoCases) {
		return usage("%s: %w; see plumbline %s --help", command, err, strings.Fields(command)[0])
	}
	return nil
}

// targets reads the levels that charts are held against; nil where none is
// stated.
func targets(text string) (map[string]float64, error) {
	if text == "" {
		return nil, nil
	}
	out := map[string]float64{}
	for _, part := range strings.Split(text, ",") {
		name, value, _ := strings.Cut(part, "=")
		v, err := strconv.ParseFloat(strings.TrimSpace(value), 64)
		if err != nil {
			return nil, usage("--target %q: expected a figure and its level, as in entry_mm=1,angle_deg=3.5", text)
		}
		out[strings.TrimSpace(name)] = v
	}
	return out, nil
}

// seriesView is a series file as show prints it with --json.
type seriesView struct {
	Schema   string            `json:"schema"`
	Chain    series.Verdict    `json:"chain"`
	Summary  series.Summary    `json:"summary"`
	Fixtures []series.TableRow `json:"fixtures"`
	Trend    analysis.Together `json:"trend"`
}

// viewSchema names the form of seriesView.
const viewSchema = "plumbline/series-view/2"

func showSeries(env Env, o *seriesOptions, args []string) error {
	system, err := numberingOf(o.show.numbering)
	if err != nil {
		return err
	}
	options, err := o.show.trend()
	if err != nil {
		return err
	}
	f, err := openSeries(args[0])
	if err != nil {
		return err
	}
	v := seriesView{Schema: viewSchema}
	if v.Summary, err = summaryOf(f, options.Clinician, env.Now().Format(time.DateOnly)); err != nil {
		return badInput(fmt.Errorf("%s: %w", args[0], err))
	}
	if v.Chain, err = f.Check(""); err != nil {
		return err
	}
	v.Fixtures = v.Summary.Table()
	p := newProgress(env)
	p.show("looking at what the cases show together", 0)
	v.Trend, err = together(v.Summary.Rows(), options)
	p.end()
	if err != nil {
		return badInput(fmt.Errorf("%s: %w", args[0], err))
	}
	if o.show.json {
		err = printJSON(env.Stdout, v)
	} else {
		err = v.write(env.Stdout, f.Path, system)
	}
	if err == nil && !v.Chain.Sound {
		return errInDoubt
	}
	return err
}

// summaryOf says what a file's records mean, or those alone that are about one
// clinician's cases. A case that was left out before anything was known of it may
// be anybody's, and stays.
func summaryOf(f *series.File, clinician, today string) (series.Summary, error) {
	whole := series.Summarise(f.Records, today)
	if clinician == "" {
		return whole, nil
	}
	names, own := map[string]bool{}, map[string]bool{"": true}
	for _, c := range whole.Cases {
		own[c.Case] = c.Clinician == clinician || c.Clinician == ""
		if c.Clinician != "" {
			names[c.Clinician] = true
		}
	}
	if !names[clinician] {
		return whole, fmt.Errorf("there is no case of clinician %q; the series has %s", clinician, strings.Join(slices.Sorted(maps.Keys(names)), ", "))
	}
	var records []series.Record
	for _, r := range f.Records {
		if own[r.Case] {
			records = append(records, r)
		}
	}
	return series.Summarise(records, today), nil
}

// together looks at every clinician, or at the chosen one alone.
func together(rows []series.Row, o analysis.Options) (analysis.Together, error) {
	out, err := analysis.AnalyseTogether(rows, o)
	if o.Clinician != "" && len(rows) == 0 {
		out.Skipped = append(out.Skipped, o.Clinician)
	}
	return out, err
}

func (v *seriesView) write(to io.Writer, path string, system tooth.System) error {
	var out bytes.Buffer
	writeVerdict(&out, path, v.Chain)
	fmt.Fprintln(&out)
	writeWrapped(&out, "", v.Summary.Words)
	v.writeFixtures(&out, system)
	v.writeNotes(&out)
	if !v.Trend.Brief {
		for i := range v.Trend.Clinicians {
			writeAnalysis(&out, &v.Trend.Clinicians[i])
		}
	}
	for _, name := range v.Trend.Skipped {
		fmt.Fprintf(&out, "\nClinician %s: no measured case whose figures can be used yet.\n", name)
	}
	writeGroup(&out, &v.Trend)
	fmt.Fprintln(&out, "\n"+strings.Join(wording.Cautions, "\n"))
	// A file from elsewhere must not steer the terminal.
	_, err := to.Write(bytes.Map(func(r rune) rune {
		if unicode.IsControl(r) && r != '\n' {
			return '?'
		}
		return r
	}, out.Bytes()))
	return err
}

// mostRows is how many fixtures are listed: twice what fifty cases have.
const mostRows = 100

func (v *seriesView) writeFixtures(out *bytes.Buffer, system tooth.System) {
	if len(v.Fixtures) == 0 {
		return
	}
	if len(v.Fixtures) > mostRows {
		fmt.Fprintf(out, "\nThe list of %d fixtures is left out; series export writes them all.\n", len(v.Fixtures))
		return
	}
	fmt.Fprintln(out)
	w := tabwriter.NewWriter(out, 0, 0, 3, ' ', 0)
	withU := false
	fmt.Fprintf(w, "case\tplaced\tsite (%s)\tentry mm\tapex mm\tangle °\twhat became of it\tseal\n", inWords(system))
	for i := range v.Fixtures {
		r := &v.Fixtures[i]
		value := func(f series.Figure) string {
			d, u := r.Deviation[f], r.U[f]
			switch {
			case d == nil:
				return ""
			case u == nil:
				return fmt.Sprintf("%.2f", *d)
			}
			withU = true
			return fmt.Sprintf("%.2f ± %.2f", *d, 2**u)
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", r.Case, r.Placed, numbered(r.Site, system),
			value(series.Entry), value(series.Apex), value(series.Angle), became(r), seals[r.Seal])
	}
	w.Flush()
	if withU {
		fmt.Fprintln(out, "± is twice the standard uncertainty.")
	}
}

// became says what became of a case.
func became(r *series.TableRow) string {
	switch {
	case r.Status == series.StatusOpen:
		return "surgery to come"
	case r.Status == series.StatusMissing:
		return "sealed, never measured"
	case r.Status == series.StatusLeftOut:
		return "left out"
	case r.Doubt:
		return "not to be relied on: " + strings.Join(r.Flags, ", ")
	}
	return "measured"
}

var seals = map[series.Seal]string{
	series.SealKept: "kept", series.SealWaiting: "before surgery", series.SealChanged: "plan changed",
	series.SealUnknown: "plan cannot be compared", series.SealLate: "too late", series.SealNone: "none",
}

// writeNotes prints what the records say beyond the figures.
func (v *seriesView) writeNotes(out *bytes.Buffer) {
	head := func(text string) func() {
		done := false
		return func() {
			if !done {
				fmt.Fprintln(out, "\n"+text)
			}
			done = true
		}
	}
	about := head("About single cases")
	for _, c := range v.Summary.Cases {
		if c.Reason != "" {
			about()
			writeWrapped(out, "  ", fmt.Sprintf("%s: left out (record %d): %s", c.Case, c.LeftOut, closed(c.Reason)))
		}
		for _, f := range c.Flags {
			about()
			writeWrapped(out, "  ", fmt.Sprintf("%s: %s", c.Case, closed(f.Message)))
		}
	}
	remarks := head("Remarks")
	for _, n := range v.Summary.Remarks {
		remarks()
		on := ""
		if n.Case != "" {
			on = " on " + n.Case
		}
		writeWrapped(out, "  ", fmt.Sprintf("%s%s, %s (record %d): %s", n.Author, on, n.Time, n.Record, closed(n.Text)))
	}
	corrections := head("Corrections")
	for _, n := range v.Summary.Corrections {
		corrections()
		writeWrapped(out, "  ", fmt.Sprintf("record %d corrects record %d, %s: %s", n.Record, n.Corrects, n.Time, closed(n.Text)))
	}
	if v.Summary.Mended > 0 {
		fmt.Fprintf(out, "\nUnfinished lines that were taken off the end of the file: %d.\n", v.Summary.Mended)
	}
}

// closed ends a text with a stop.
func closed(text string) string {
	text = strings.TrimSpace(text)
	if strings.HasSuffix(text, ".") || strings.HasSuffix(text, "!") || strings.HasSuffix(text, "?") {
		return text
	}
	return text + "."
}

// figureTitles are the figures that the statistics look at.
var figureTitles = map[string]string{
	"entry_mm": "Entry deviation", "entry_lateral_mm": "Lateral at the entry", "entry_depth_mm": "Depth at the entry",
	"apex_mm": "Apex deviation", "apex_lateral_mm": "Lateral at the apex", "apex_depth_mm": "Depth at the apex",
	"angle_deg": "Angular deviation",
}

// writeAnalysis prints what one clinician's cases show.
func writeAnalysis(out *bytes.Buffer, a *analysis.Analysis) {
	fmt.Fprintf(out, "\nClinician %s: %s, %s\n", a.Clinician, counted(len(a.Cases), "case"), counted(a.Fixtures, "fixture"))
	for _, n := range a.Notes {
		writeWrapped(out, "  ", n)
	}
	if len(a.Figures) == 0 {
		return
	}
	fmt.Fprintln(out, "\nHow far off")
	w := tabwriter.NewWriter(out, 0, 0, 3, ' ', 0)
	fmt.Fprintln(w, "  \tmean\t95 % of the mean\tspread\tleast\tlargest\tcases")
	for _, f := range a.Figures {
		unit := map[string]string{"mm": "mm", "deg": "°"}[f.Unit]
		mean := fmt.Sprintf("%.2f %s\t\t", f.Mean, unit)
		if f.Low != nil && f.High != nil && f.SD != nil {
			mean = fmt.Sprintf("%.2f %s\t%.2f to %.2f\t%.2f", f.Mean, unit, *f.Low, *f.High, *f.SD)
		}
		fmt.Fprintf(w, "  %s\t%s\t%.2f\t%.2f\t%d\n", figureTitles[f.Figure], mean, f.Least, f.Largest, f.N)
	}
	w.Flush()
	fmt.Fprintln(out, "\nLearning and change")
	var without []string
	for _, f := range a.Figures {
		if about := f.Words.About(); about != "" {
			writeWrapped(out, "  ", figureTitles[f.Figure]+": "+about)
		}
		if l := f.Learning; f.Chart == nil && l != nil && l.Verdict == learningcurve.Learning {
			without = append(without, strings.ToLower(figureTitles[f.Figure]))
		}
	}
	if len(without) > 0 {
		writeWrapped(out, "  ", "No control chart of "+wording.List(without)+". "+analysis.NoLevel)
	}
	if len(a.Habits) > 0 {
		fmt.Fprintln(out, "\nHabit")
		for _, h := range a.Habits {
			writeWrapped(out, "  ", h.Words)
		}
	}
	if a.Success != nil {
		fmt.Fprintln(out, "\nWithin the limits")
		writeWrapped(out, "  ", a.Success.Words)
		if a.Competence != nil {
			writeWrapped(out, "  ", a.Competence.Words)
		}
		if a.Success.Limits == analysis.Defaults().Limits {
			writeWrapped(out, "  ", "The limits: "+analysis.LimitsSource)
		}
	}
	if len(a.Margins) > 0 {
		fmt.Fprintln(out, "\nThe margin that the record supports")
		for _, m := range a.Margins {
			writeWrapped(out, "  ", m.Words)
		}
	}
	writeGroups(out, a)
	writePublished(out, a)
}

func interval(s *analysis.Summary) string {
	switch {
	case s == nil:
		return ""
	case s.Low == nil || s.High == nil:
		return fmt.Sprintf("%.2f", s.Mean)
	}
	return fmt.Sprintf("%.2f (%.2f to %.2f)", s.Mean, *s.Low, *s.High)
}

func writeGroups(out *bytes.Buffer, a *analysis.Analysis) {
	if len(a.Groups) == 0 {
		return
	}
	fmt.Fprintln(out, "\nGroups: mean and its 95 % interval; they differ in more than what they are named for")
	w := tabwriter.NewWriter(out, 0, 0, 3, ' ', 0)
	fmt.Fprintln(w, "  \tfixtures\tentry mm\tapex mm\tangle °\twithin the limits")
	for _, g := range a.Groups {
		name := g.Name
		if g.By == "guidance" {
			name = wording.Guidance(name)
		}
		line := fmt.Sprintf("  %s: %s\t%d\t%s\t%s\t%s\t", g.By, name, g.Fixtures, interval(g.Entry), interval(g.Apex), interval(g.Angle))
		switch {
		case g.Success != nil:
			line += fmt.Sprintf("%d of %d", g.Success.Within, g.Success.Of)
		case g.Note != "":
			line = fmt.Sprintf("  %s: %s\t%d\ttoo few to describe", g.By, name, g.Fixtures)
		}
		fmt.Fprintln(w, strings.TrimRight(line, "\t"))
	}
	w.Flush()
}

var places = map[analysis.Place]string{
	analysis.Below: "yours is lower", analysis.Above: "yours is higher", analysis.Within: "no clear difference", "": "no interval to compare",
}

func writePublished(out *bytes.Buffer, a *analysis.Analysis) {
	var sources []string
	first := true
	w := tabwriter.NewWriter(out, 0, 0, 3, ' ', 0)
	for _, f := range a.Figures {
		for _, p := range f.Published {
			if first {
				fmt.Fprintln(out, "\nPublished means, of other people's patients; they are no target")
				first = false
			}
			at := 0
			for at < len(sources) && sources[at] != p.Source {
				at++
			}
			if at == len(sources) {
				sources = append(sources, p.Source)
			}
			value := fmt.Sprintf("%.2f", p.Mean)
			switch {
			case p.Low != nil && p.High != nil:
				value = fmt.Sprintf("%.2f (%.2f to %.2f)", p.Mean, *p.Low, *p.High)
			case p.SD != nil:
				value = fmt.Sprintf("%.2f, spread %.2f", p.Mean, *p.SD)
			}
			fmt.Fprintf(w, "  %s\t%s\t%s\t%s, %s [%d]\n", figureTitles[f.Figure], value, places[p.Place], p.What, p.N, at+1)
		}
	}
	w.Flush()
	for i, s := range sources {
		writeWrapped(out, "  ", fmt.Sprintf("[%d] %s", i+1, closed(s)))
	}
}

// writeGroup prints the clinicians side by side, and how their means lie.
func writeGroup(out *bytes.Buffer, t *analysis.Together) {
	if len(t.Clinicians) < 2 {
		return
	}
	fmt.Fprintln(out, "\nThe clinicians side by side, in the order of their names: mean and its 95 % interval")
	fmt.Fprintln(out, "Patients and sites differ, so this is no ranking.")
	w := tabwriter.NewWriter(out, 0, 0, 3, ' ', 0)
	fmt.Fprintln(w, "  \tcases\tentry mm\tapex mm\tangle °\twithin the limits")
	for i := range t.Clinicians {
		a := &t.Clinicians[i]
		line := fmt.Sprintf("  %s\t%d", a.Clinician, len(a.Cases))
		for _, name := range []string{"entry_mm", "apex_mm", "angle_deg"} {
			line += "\t"
			for k := range a.Figures {
				if a.Figures[k].Figure == name {
					line += interval(&a.Figures[k].Summary)
				}
			}
		}
		if s := a.Success; s != nil {
			line += fmt.Sprintf("\t%d of %d (95 %% %.0f to %.0f %%)", s.Within, s.Of, 100*s.Low, 100*s.High)
		}
		fmt.Fprintln(w, strings.TrimRight(line, "\t"))
	}
	w.Flush()
	if t.Brief {
		writeWrapped(out, "", fmt.Sprintf("Learning, habit, charts and margins are looked at for up to %d clinicians at once; --clinician shows one in full.", analysis.MostInFull))
	}
	if len(t.Group) == 0 {
		return
	}
	fmt.Fprintln(out, "\nThe clinicians' means together, each clinician once")
	w = tabwriter.NewWriter(out, 0, 0, 3, ' ', 0)
	fmt.Fprintln(w, "  \tclinicians\tleast\tmedian\tlargest")
	for _, s := range t.Group {
		if title := figureTitles[s.Figure]; title != "" {
			fmt.Fprintf(w, "  %s\t%d\t%.2f\t%.2f\t%.2f\n", title, s.N, s.Least, s.Median, s.Most)
		}
	}
	w.Flush()
}

// lineWidth is how many characters a line of prose has on the terminal.
const lineWidth = 88

// tie holds a number and its unit together while lines are made.
const tie = "\x1f"

var untied, tied = strings.NewReplacer(tie, " "), strings.NewReplacer(" %", tie+"%", " mm", tie+"mm")

// writeWrapped prints a text in lines; those after the first stand further in
// where there is an indent.
func writeWrapped(out io.Writer, indent, text string) {
	line, begun := indent, false
	for _, word := range strings.Fields(tied.Replace(text)) {
		if begun && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > lineWidth {
			fmt.Fprintln(out, untied.Replace(line))
			line, begun = indent+indent, false
		}
		if begun {
			line += " "
		}
		line, begun = line+word, true
	}
	fmt.Fprintln(out, untied.Replace(line))
}
