package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"plumbline/internal/measurement"
)

// bone shows what a fixture stands in, as the planning scan has it.
func (d *Document) bone(f measurement.Fixture) {
	if t, beyond := boneTable(f.Surroundings); len(t.Rows) > 0 {
		d.add(t, beyond)
	}
}

// boneBeside is bone with the figures' table beside it.
func (d *Document) boneBeside(figures table, f measurement.Fixture) {
	t, beyond := boneTable(f.Surroundings)
	if len(t.Rows) == 0 {
		d.add(figures)
		return
	}
	figures.Fine = true
	d.add(beside{Left: []block{figures}, Right: []block{t, beyond}, Share: boneShare})
}

// boneShare is what the columns of five depths and the crest need of the width.
const boneShare = 0.545

// boneInShort names the least bone, for the terminal; the report has every direction.
func (d *Document) boneInShort(f measurement.Fixture) {
	if f.Surroundings == nil {
		return
	}
	var least []string
	for _, x := range []struct {
		around *measurement.Around
		which  string
	}{{f.Surroundings.Achieved, "as placed"}, {f.Surroundings.Planned, "as planned"}} {
		if x.around == nil {
			continue
		}
		if w := leastBone(x.around.Wall); w != nil {
			least = append(least, fmt.Sprintf("%s %s mm, %s, %.1f mm below the platform", x.which, wallText(*w), w.Direction, w.Depth))
		}
	}
	if len(least) > 0 {
		d.add(paragraph{Text: "Least bone outside the fixture's wall, in the planning scan: " + strings.Join(least, "; ") + ". The report has every direction and how to read them."})
	}
}

// leastBone is the place with the least bone, by its distance or the bound on it; nil where
// none is known.
func leastBone(wall []measurement.Wall) *measurement.Wall {
	var out *measurement.Wall
	least := math.Inf(1)
	for i := range wall {
		known := wall[i].Bone
		if known == nil {
			known = wall[i].High
		}
		if wall[i].First == nil && known != nil && *known < least {
			out, least = &wall[i], *known
		}
	}
	return out
}

// level is what is read at one depth below the platform, or of the crest, by direction.
type level struct {
	head       string
	directions []string
	at         map[string]reading
}

// reading is one place of a level in words.
type reading struct {
	what    string  // is met before the bone's outer surface; "" where nothing is
	text    string  // behind what
	half    float64 // of the 95 % interval, mm; 0 where there is none
	outside bool    // of the bone
}

func newReading(v *float64, o *measurement.Obstacle, why string, low, high *float64) reading {
	switch {
	case o != nil:
		return reading{what: obstacle(o.What) + " ", text: tenths(o.MM)}
	case v == nil:
		return reading{text: boundText(why, low, high)}
	case low == nil || high == nil:
		return reading{text: tenths(*v)}
	}
	return reading{text: tenths(*v), half: (*high - *low) / 2}
}

// crest heads what is read of the bone's crest.
const crest = "crest"

// levelsOf are the depths of a wall, which come in order, and the crest.
func levelsOf(a *measurement.Around) []level {
	if a == nil {
		return nil
	}
	var out []level
	add := func(head, direction string, r reading) {
		if len(out) == 0 || out[len(out)-1].head != head {
			out = append(out, level{head: head, at: map[string]reading{}})
		}
		l := &out[len(out)-1]
		l.directions = append(l.directions, direction)
		l.at[direction] = r
	}
	for _, w := range a.Wall {
		r := newReading(w.Bone, w.First, w.Why, w.Low, w.High)
		r.outside = w.Outside()
		add(strings.TrimSuffix(fmt.Sprintf("%.1f", w.Depth), ".0")+" mm", w.Direction, r)
	}
	for _, c := range a.Crest {
		add(crest, c.Direction, newReading(c.Crest, nil, c.Why, c.Low, c.High))
	}
	return out
}

// boneTable has the directions down and the depths across, as placed and in brackets as
// planned, and a paragraph on the bone beyond the apex; no rows where nothing was read.
// What is planned stands where it has the same depth.
func boneTable(s *measurement.Surroundings) (table, paragraph) {
	if s == nil || s.Planned == nil {
		return table{}, paragraph{}
	}
	main, plan, which := s.Planned, (*measurement.Around)(nil), "as planned"
	if s.Achieved != nil {
		main, plan, which = s.Achieved, s.Planned, "as placed (as planned)"
	}
	t := table{Fine: true, Caption: "Bone outside the wall, mm, " + which + ", by depth below the platform; the crest above the platform; ± covers 95 %",
		Columns: []column{{Head: "towards", Share: 16.3}}}
	columns, planned := levelsOf(main), levelsOf(plan)
	if len(columns) == 0 {
		return table{}, paragraph{}
	}
	for _, direction := range columns[0].directions {
		t.Rows = append(t.Rows, row{Cells: []string{direction}})
	}
	widest := row{Cells: []string{"± up to"}}
	for _, l := range columns {
		share := 11.8
		if l.head == crest {
			share = 14.5 // of two that stand above the bone
		}
		t.Columns = append(t.Columns, column{Head: l.head, Share: share})
		var same level
		if k := slices.IndexFunc(planned, func(x level) bool { return x.head == l.head }); k >= 0 {
			same = planned[k]
		}
		half := 0.0
		for i, direction := range columns[0].directions {
			r, p := l.at[direction], same.at[direction]
			half = max(half, r.half, p.half)
			t.Rows[i].Cells = append(t.Rows[i].Cells, withPlan(r, p))
			t.Rows[i].Strong = t.Rows[i].Strong || r.outside
		}
		widest.Cells = append(widest.Cells, tenths(math.Ceil(math.Round(1000*half)/100)/10))
	}
	t.Rows = append(t.Rows, widest)
	return t, paragraph{Small: true, Text: "Beyond the apex, along the axis: " + withPlan(apical(main), apical(plan)) + "."}
}

// withPlan puts what was planned in brackets behind what was achieved, where it is another;
// of the same obstacle, its distance alone.
func withPlan(achieved, planned reading) string {
	text := achieved.what + achieved.text
	switch {
	case planned.text == "" || planned.what == achieved.what && planned.text == achieved.text:
		return text
	case planned.what == achieved.what:
		planned.what = ""
	}
	return text + " (" + planned.what + planned.text + ")"
}

// notKnown says in a table why a distance is not there.
var notKnown = map[string]string{
	"not-in-bone": "not in bone", "far": "far", "not-scanned": "not scanned", "metal": "metal", "disturbed": "disturbed",
	"grazing": "oblique", "too-thin": "thin plate", "behind": "tooth", "cavity": "cavity",
}

// wallText words a place of the wall with its interval.
func wallText(w measurement.Wall) string {
	r := newReading(w.Bone, w.First, w.Why, w.Low, w.High)
	text := r.what + r.text
	if r.half > 0 {
		text += fmt.Sprintf(" ± %.1f", max(0.1, r.half))
	}
	return text
}

// apical is what lies beyond an apex, with its unit.
func apical(a *measurement.Around) reading {
	switch {
	case a == nil:
		return reading{}
	case a.Apical == nil:
		return reading{text: "not known"}
	}
	r := newReading(a.ApicalMM, a.Apical.First, a.Apical.Why, a.Apical.Low, a.Apical.High)
	if strings.ContainsAny(r.text, "0123456789") {
		r.text += " mm"
	}
	return r
}

// obstacle words what a ray meets.
func obstacle(what string) string {
	switch what {
	case "root":
		return "tooth"
	case "nasal-cavity":
		return "nose"
	}
	return outside(what)
}

// tenths words a length to a tenth of a millimetre; what rounds to nothing has no sign.
func tenths(v float64) string {
	return fmt.Sprintf("%.1f", math.Round(10*v)/10+0)
}

// boundText words a bound where it is all that is known, else why nothing is.
func boundText(why string, low, high *float64) string {
	switch {
	case high != nil && low == nil:
		return fmt.Sprintf("< %.1f", *high)
	case low != nil && high == nil:
		return fmt.Sprintf("> %.0f", *low)
	}
	if words := notKnown[why]; words != "" {
		return words
	}
	return "not known"
}
