package analysis

import (
	"errors"
	"fmt"
	"math"

	"plumbline/internal/measurement"
	"plumbline/internal/series"
	"plumbline/internal/stats/hotelling"
	"plumbline/internal/stats/sequential"
	"plumbline/internal/tooth"
)

// Habit is the mean offset at one place, in millimetres; that of the tilt is in
// degrees.
type Habit struct {
	Place      string   `json:"place"`                    // "entry", "apex", "tilt"
	Side       bool     `json:"patients_sides,omitempty"` // by the patient's sides, not the site's
	Group      string   `json:"group,omitempty"`          // of a way of guidance or a region alone
	Directions []string `json:"directions"`               // of the parts, the positive side
	*hotelling.Habit
	// Adjusted is p allowing for a look after every case and for the habits that are
	// looked for (Holm); only of those at the apex, of which a finding is told.
	Adjusted    *float64           `json:"p_adjusted,omitempty"`
	MeanEllipse *hotelling.Ellipse `json:"mean_ellipse,omitempty"` // 95 % of the mean, of the first two directions
	NextEllipse *hotelling.Ellipse `json:"next_ellipse,omitempty"` // 95 % of the next case
	Words       string             `json:"words"`

	unit         string
	farthestCase int
}

// sought are the habits that are looked for.
var sought = []struct {
	place      string
	side, told bool
	unit       string
	directions []string
	figures    []measurement.Figure
}{
	{"entry", false, false, "mm", []string{"mesial", "buccal", "deep"}, []measurement.Figure{measurement.EntryMesial, measurement.EntryBuccal, measurement.EntryDepth}},
	{"apex", false, true, "mm", []string{"mesial", "buccal", "deep"}, []measurement.Figure{measurement.ApexMesial, measurement.ApexBuccal, measurement.ApexDepth}},
	{"apex", true, true, "mm", []string{"left", "front"}, []measurement.Figure{measurement.ApexMesial, measurement.ApexBuccal}},
	{"tilt", false, false, "°", []string{"mesial", "buccal"}, []measurement.Figure{measurement.TiltMesial, measurement.TiltBuccal}},
}

func (a *Analysis) addHabits() error {
	var told []int
	var p []float64
	add := func(h Habit, figures []measurement.Figure, findings bool) error {
		x, numbers := a.offsetsOf(figures, h.Side, h.Group)
		found, err := hotelling.Analyse(x)
		what := habitPlace(&h)
		switch {
		case errors.Is(err, hotelling.ErrTooFewCases):
			h.Words = fmt.Sprintf("%s: %s with mesiodistal and buccolingual parts, too few to look for a habit.", what, counted(len(x), "case"))
			if len(x) == 0 {
				h.Words = fmt.Sprintf("%s: no case has mesiodistal and buccolingual parts, so a habit cannot be looked for.", what)
			}
		case errors.Is(err, hotelling.ErrNoSpread):
			h.Words = fmt.Sprintf("%s: the figures do not spread in every direction, as rounded ones may; no test of a habit.", what)
		case err != nil:
			return fmt.Errorf("habit at %s: %w", h.Place, err)
		default:
			mean, next := found.Ellipses(0, 1)
			h.Habit, h.MeanEllipse, h.NextEllipse = &found, &mean, &next
			h.farthestCase = numbers[found.Farthest-1]
			if findings && len(x) >= someCases {
				told, p = append(told, len(a.Habits)), append(p, sequential.EveryLook(found.P))
			}
		}
		a.Habits = append(a.Habits, h)
		return nil
	}
	for _, h := range sought {
		if err := add(Habit{Place: h.place, Side: h.side, Directions: h.directions, unit: h.unit}, h.figures, h.told); err != nil {
			return err
		}
	}
	for _, group := range a.habitGroups() {
		h := sought[apexHabit]
		if err := add(Habit{Place: h.place, Group: group, Directions: h.directions, unit: h.unit}, h.figures, true); err != nil {
			return err
		}
	}
	for i, v := range sequential.Holm(p) {
		a.Habits[told[i]].Adjusted = &v
	}
	for i := range a.Habits {
		if h := &a.Habits[i]; h.Habit != nil {
			h.Words = habitWords(h)
		}
	}
	return nil
}

// apexHabit is the place in sought of the habit that is looked for in groups, too.
const apexHabit = 1

// habitGroups are the ways of guidance and the regions that have enough cases, where there
// are several.
func (a *Analysis) habitGroups() []string {
	var out []string
	for _, of := range []func(*Case) string{func(c *Case) string { return c.Guidance }, func(c *Case) string { return c.region }} {
		n := map[string]int{}
		var names []string
		for i := range a.Cases {
			name := of(&a.Cases[i])
			if n[name]++; n[name] == someCases && name != "" {
				names = append(names, name)
			}
		}
		if len(n) > 1 {
			out = append(out, names...)
		}
	}
	return out
}

// offsetsOf are the cases' mean offsets in the directions of the figures, which with side
// are turned to the patient's left and front; of a group's cases alone where one is named.
func (a *Analysis) offsetsOf(figures []measurement.Figure, side bool, group string) (x [][]float64, numbers []int) {
	of := map[string][][]float64{}
	whole := map[string]bool{}
	for i := range a.rows {
		r := &a.rows[i]
		var v []float64
		for _, f := range figures {
			if r.Deviation[f] != nil {
				v = append(v, *r.Deviation[f])
			}
		}
		ok := len(v) == len(figures)
		if ok && side {
			v, ok = patientsSides(r, v)
		}
		if _, seen := whole[r.Case]; !seen {
			whole[r.Case] = true
		}
		whole[r.Case] = whole[r.Case] && ok
		of[r.Case] = append(of[r.Case], v)
	}
	for _, c := range a.Cases {
		if !whole[c.Case] || group != "" && c.Guidance != group && c.region != group {
			continue
		}
		mean := make([]float64, len(figures))
		for _, v := range of[c.Case] {
			for i := range mean {
				mean[i] += v[i] / float64(len(of[c.Case]))
			}
		}
		x, numbers = append(x, mean), append(numbers, c.Number)
	}
	return x, numbers
}

// mesialTurn is by how much the mesial direction of a tooth is turned from towards the
// midline, which it is nearly at the central incisors, to the front, which it is nearly at
// the molars, degrees from the first tooth of a quadrant to the eighth. A usual arch, from
// no source: it decides only how far a habit at canines counts as sideways.
var mesialTurn = [8]float64{10, 30, 50, 65, 75, 82, 87, 90}

// patientsSides turns mesial and buccal to the patient's left and front.
func patientsSides(r *series.Row, v []float64) ([]float64, bool) {
	n, err := tooth.Parse(r.Site, tooth.ISO3950)
	if err != nil {
		return nil, false
	}
	sin, cos := math.Sincos(mesialTurn[n.Place()-1] * math.Pi / 180)
	// On the patient's right (quadrants 1 and 4) the midline is to the left.
	toLeft := 1.0
	if q := n.Quadrant(); q == 2 || q == 3 {
		toLeft = -1
	}
	mesial, buccal := v[0], v[1]
	return []float64{toLeft * (mesial*cos - buccal*sin), mesial*sin + buccal*cos}, true
}
