package analysis

import (
	"errors"
	"slices"

	"plumbline/internal/measurement"
	"plumbline/internal/series"
)

// Clinicians side by side, each against themselves; sorted by pseudonym, and not
// ranked: differences between patients and sites are not taken out.
type Together struct {
	Clinicians []Analysis `json:"clinicians"`
	Group      []Spread   `json:"group"`
	Funnel     *Funnel    `json:"funnel,omitempty"` // of the first primary figure
	Skipped    []string   `json:"skipped"`          // clinicians without a usable case
	Brief      bool       `json:"brief,omitempty"`  // more than MostInFull clinicians: means and success alone
}

// Spread is how the clinicians' means of a figure lie, each clinician counting
// once.
type Spread struct {
	Figure measurement.Figure `json:"figure"`
	Unit   string             `json:"unit"`
	N      int                `json:"n"` // clinicians
	Median float64            `json:"median"`
	Least  float64            `json:"least"`
	Most   float64            `json:"most"`
}

// MostInFull is for how many clinicians at once learning, charts, habits and
// bounds are looked at: each takes seconds, and nobody reads more.
const MostInFull = 12

// AnalyseTogether analyses every clinician in the rows with the same options. A
// chosen one without a row is skipped.
func AnalyseTogether(rows []series.Row, o Options) (Together, error) {
	out := Together{Clinicians: []Analysis{}, Group: []Spread{}, Skipped: []string{}}
	if o.Clinician != "" && len(rows) == 0 {
		out.Skipped = append(out.Skipped, o.Clinician)
	}
	of := map[string][]series.Row{}
	for _, r := range rows {
		of[r.Clinician] = append(of[r.Clinician], r)
	}
	out.Brief = len(of) > MostInFull
	o.brief = out.Brief
	means := map[measurement.Figure][]float64{}
	for _, name := range Clinicians(rows) {
		o.Clinician = name
		a, err := Analyse(of[name], o)
		if errors.Is(err, ErrNoCases) {
			out.Skipped = append(out.Skipped, name)
			continue
		}
		if err != nil {
			return Together{}, err
		}
		out.Clinicians = append(out.Clinicians, a)
		for _, f := range a.Figures {
			means[f.Figure] = append(means[f.Figure], f.Mean)
		}
	}
	var err error
	if out.Funnel, err = funnel(primary[0], Clinicians(rows), of); err != nil {
		return Together{}, err
	}
	for f := range measurement.FigureCount {
		x := means[f]
		if len(x) < 2 {
			continue
		}
		slices.Sort(x)
		n := len(x)
		out.Group = append(out.Group, Spread{f, string(f.Unit()), n, (x[(n-1)/2] + x[n/2]) / 2, x[0], x[n-1]})
	}
	return out, nil
}
