package cli

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/pflag"

	reports "plumbline/internal/report"
	"plumbline/internal/series"
	"plumbline/internal/series/analysis"
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
	if today := env.Now().Format(time.DateOnly); options.Clinician == "" {
		v.Summary = series.Summarise(f.Records, today)
	} else if v.Summary, err = series.SummariseOf(options.Clinician, f.Records, today); err != nil {
		return badInput(fmt.Errorf("%s: %w", args[0], err))
	}
	if v.Chain, err = f.Check(""); err != nil {
		return err
	}
	v.Fixtures = v.Summary.Table()
	p := newProgress(env)
	p.show("looking at what the cases show together", 0)
	v.Trend, err = analysis.AnalyseTogether(v.Summary.Rows(), options)
	p.end()
	if err != nil {
		return badInput(fmt.Errorf("%s: %w", args[0], err))
	}
	if o.show.json {
		err = printJSON(env.Stdout, v)
	} else {
		shown := reports.Overview{Name: f.Path, Chain: v.Chain, Summary: v.Summary, Together: v.Trend}
		err = env.print(shown.Document(reports.Options{Numbering: system}))
	}
	if err == nil && !v.Chain.Sound {
		return errInDoubt
	}
	return err
}
