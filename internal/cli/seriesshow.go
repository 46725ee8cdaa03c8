package cli

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plumbline/internal/measurement"
	"plumbline/internal/printable"
	reports "plumbline/internal/report"
	"plumbline/internal/series"
	"plumbline/internal/series/analysis"
)

// showOptions say what to look at and how to print it.
type showOptions struct {
	path              string
	json, all         bool
	clinician, target string
	cases, seed       uint64
	limits            analysis.Limits
	layout            layoutOptions

	analysis analysis.Options // what of the above is for statistics
}

func seriesShowCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "show FILE", short: "print the cases, and what they show together",
		long: `Answers five questions from the cases in a series file: whether the clinician gets
better, how good they are now, whether there is a habit, how much room to leave, and
whether anything was entered or came too near. With --all, prints every case and what the
answers rest on; plumbline report FILE OUT.pdf draws the same.`,
		examples: []string{
			"plumbline series show my-series.jsonl",
			"plumbline series show --all --apex-limit 1.5 my-series.jsonl",
		},
	}, &showOptions{})
}

func (o *showOptions) AddFlags(f *pflag.FlagSet) {
	d := analysis.Defaults()
	grouped(f, "Which cases", func(f *pflag.FlagSet) {
		f.StringVar(&o.clinician, "clinician", "", "only the cases of this `PSEUDONYM`")
		f.Uint64Var(&o.cases, "cases", uint64(d.Cases), "fit a learning curve to a clinician's first `N` cases")
	})
	grouped(f, "What counts as a success", func(f *pflag.FlagSet) {
		f.Float64Var(&o.limits.Entry, "entry-limit", d.Limits.Entry, "at most so many `MM` of entry deviation")
		f.Float64Var(&o.limits.Apex, "apex-limit", d.Limits.Apex, "at most so many `MM` of apex deviation")
		f.Float64Var(&o.limits.Angle, "angle-limit", d.Limits.Angle, "at most so many `DEGREES` of angular deviation")
	})
	grouped(f, "Statistics", func(f *pflag.FlagSet) {
		f.StringVar(&o.target, "target", "", "hold the charts against a stated `LEVEL`, as in entry_mm=1,angle_deg=3.5")
		f.Uint64Var(&o.seed, "seed", d.Seed, "`N` that starts the random numbers of the statistics")
	})
	grouped(f, "What is printed", func(f *pflag.FlagSet) {
		f.BoolVar(&o.all, "all", false, "print every case, figure and group, not the answers alone")
		f.BoolVar(&o.json, "json", false, "print JSON instead of text")
		o.layout.addNumbering(f, "tooth numbers in the text")
	})
}

func (o *showOptions) Check(args []string) (err error) {
	if err := arguments(args, "show", "FILE"); err != nil {
		return err
	}
	o.path = args[0]
	if _, err := numberingOf(o.layout.numbering); err != nil {
		return err
	}
	o.analysis, err = o.statistics()
	return err
}

// statistics checks the options and gives them as the statistics take them.
func (o *showOptions) statistics() (analysis.Options, error) {
	t := analysis.Defaults()
	t.Clinician, t.Seed, t.Limits = o.clinician, o.seed, o.limits
	t.Cases = int(min(o.cases, 1<<31-1))
	var err error
	if t.Target, err = targets(o.target); err != nil {
		return t, err
	}
	return t, checkAnalysis(t, "series show")
}

// checkAnalysis refuses options that the statistics of a command do not take.
func checkAnalysis(t analysis.Options, command string) error {
	// Without a row the options are all that can be wrong.
	if _, err := analysis.Analyse(nil, t); !errors.Is(err, analysis.ErrNoCases) {
		return usage("%s: %w; see plumbline %s --help", command, err, command)
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
	Fixtures []fixtureView     `json:"fixtures"`
	Breaches analysis.Breaches `json:"breaches"`
	Trend    analysis.Together `json:"trend"`
}

// fixtureView is a fixture of the table with what counts most of it.
type fixtureView struct {
	series.TableRow
	Verdict *measurement.Verdict `json:"verdict,omitempty"` // of one with figures
}

// viewSchema names the form of seriesView.
const viewSchema = "plumbline/series-view/4"

func (o *showOptions) Run(_ context.Context, env Env) error {
	f, err := openSeries(o.path)
	if err != nil {
		return err
	}
	v := seriesView{Schema: viewSchema}
	if today := env.Now().Format(time.DateOnly); o.clinician == "" {
		v.Summary = series.Summarise(f.Records, today)
	} else if v.Summary, err = series.SummariseOf(o.clinician, f.Records, today); err != nil {
		return badInput(fmt.Errorf("%s: %w", o.path, err))
	}
	if v.Chain, err = f.Check(""); err != nil {
		return err
	}
	table := v.Summary.Table()
	for i := range table {
		shown := fixtureView{TableRow: table[i]}
		if verdict := table[i].Verdict().Verdict; table[i].Judged() {
			shown.Verdict = &verdict
		}
		v.Fixtures = append(v.Fixtures, shown)
	}
	v.Breaches = analysis.CountBreaches(table)
	p := newProgress(env)
	p.show("looking at what the cases show together", 0)
	o.analysis.Designs = v.Summary.Designs
	v.Trend, err = analysis.AnalyseTogether(v.Summary.Rows(), o.analysis)
	p.end()
	if err != nil {
		return badInput(fmt.Errorf("%s: %w", o.path, err))
	}
	if o.json {
		err = printable.WriteJSON(env.Stdout, v)
	} else {
		shown := reports.Overview{Name: f.Path, Chain: v.Chain, Summary: v.Summary, Together: v.Trend, All: o.all,
			More: "Every case, figure and group: plumbline series show --all; as pictures: plumbline report."}
		err = env.print(shown.Document(reports.Options{Numbering: o.layout.system()}))
	}
	if err == nil && !v.Chain.Sound {
		return errInDoubt
	}
	return err
}
