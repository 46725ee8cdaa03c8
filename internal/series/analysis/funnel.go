package analysis

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"plumbline/internal/measurement"
	"plumbline/internal/series"
	"plumbline/internal/stats/mixedmodel"
)

// Funnel is how the clinicians lie to each other in a figure, allowing for how few cases
// some have and for how much clinicians differ anyway. It ranks nobody.
type Funnel struct {
	Figure     measurement.Figure `json:"figure"`
	Unit       string             `json:"unit"`
	Mean       float64            `json:"mean"` // of single fixtures, of clinicians like these
	Clinicians []Shrunk           `json:"clinicians"`
	Apart      []string           `json:"apart"` // beyond the 99.8 % limits
}

// Shrunk is one clinician's mean, drawn towards that of all.
type Shrunk struct {
	Clinician string  `json:"clinician"`
	Cases     int     `json:"cases"`
	Own       float64 `json:"own"` // mean of the clinician's fixtures
	Mean      float64 `json:"mean"`
	Low       float64 `json:"low95"`
	High      float64 `json:"high95"`
	// Others is the share of the mean that comes from the other clinicians.
	Others float64 `json:"from_others"`
	// Next is what one in 20 of the next fixtures goes beyond, with the group's help.
	Next float64 `json:"next"`
	// Z is how far the clinician lies from the others, in standard deviations of such
	// clinicians with so many cases.
	Z     float64 `json:"z"`
	Apart bool    `json:"apart,omitempty"`
}

const (
	// leastClinicians is the number under which a spread between clinicians is none.
	leastClinicians = 4
	// apart is beyond 99.8 % of clinicians that are as the others (Spiegelhalter).
	apart = 3.09
)

// funnel fits fixtures within cases within clinicians; nil for too few clinicians.
//
// Method: on the scale of roots, a length's mean is m² + s². Empirical Bayes means by the
// mixed model; funnel limits with the variance between clinicians added (random-effects
// over-dispersion), Spiegelhalter, Stat Med 24:1185, 2005.
func funnel(of measurement.Figure, names []string, rows map[string][]series.Row) (*Funnel, error) {
	f := Funnel{Figure: of, Unit: string(of.Unit()), Clinicians: []Shrunk{}, Apart: []string{}}
	var y []mixedmodel.Observation
	number := 0
	for _, name := range names {
		s := Shrunk{Clinician: name}
		cases := map[string]int{}
		fixtures := 0.0
		for i := range rows[name] {
			r := &rows[name][i]
			v := r.Deviation[of]
			if v == nil || r.Doubt {
				continue
			}
			if _, seen := cases[r.Case]; !seen {
				number++
				cases[r.Case] = number
			}
			y = append(y, mixedmodel.Observation{Y: math.Sqrt(*v), X: []float64{1}, Cluster: cases[r.Case], Group: len(f.Clinicians)})
			s.Own += *v
			fixtures++
		}
		if s.Cases = len(cases); s.Cases > 0 {
			s.Own /= fixtures
			f.Clinicians = append(f.Clinicians, s)
		}
	}
	if len(f.Clinicians) < leastClinicians {
		return nil, nil
	}
	m, err := mixedmodel.Estimate(y)
	if errors.Is(err, mixedmodel.ErrTooFew) || errors.Is(err, mixedmodel.ErrNoSpread) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("%s side by side: %w", of, err)
	}
	single := m.Error + m.Cluster
	level := m.Beta[0]
	f.Mean = level*level + m.Group + single
	z95, z975 := distuv.UnitNormal.Quantile(.95), distuv.UnitNormal.Quantile(.975)
	for i, e := range m.Groups {
		s := &f.Clinicians[i]
		root := level + e.Value
		unsure := math.Sqrt(e.SE*e.SE + m.Covariance.At(0, 0))
		mean := func(root float64) float64 { return math.Max(0, root)*math.Max(0, root) + single }
		s.Mean, s.Low, s.High = mean(root), mean(root-z975*unsure), mean(root+z975*unsure)
		next := root + z95*math.Sqrt(unsure*unsure+single)
		s.Next = next * next
		s.Others = 1
		// Nothing parts clinicians whose variance is rounding.
		if known := 1 - e.SE*e.SE/m.Group; m.Group > 1e-9*single && known > 0 {
			s.Others = 1 - known
			s.Z = e.Value / math.Sqrt(m.Group*known)
		}
		if s.Apart = math.Abs(s.Z) > apart && s.Cases >= fewCases; s.Apart {
			f.Apart = append(f.Apart, s.Clinician)
		}
	}
	return &f, nil
}
