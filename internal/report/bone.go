package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"plumbline/internal/anatomy/severity"
	"plumbline/internal/measurement"
)

// bone shows what a fixture stands in, as the planning scan has it.
func (d *Document) bone(f measurement.Fixture) {
	if f.Surroundings == nil || f.Surroundings.Planned == nil {
		return
	}
	if f.Surroundings.Achieved != nil {
		d.add(boneTable(*f.Surroundings.Achieved, "as placed"))
	}
	d.add(boneTable(*f.Surroundings.Planned, "as planned"), paragraph{Text: boneText, Small: true})
}

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

// boneOfAll is bone of several fixtures, on a page of its own.
func (d *Document) boneOfAll(fixtures []measurement.Fixture, o Options) {
	first := true
	for _, f := range fixtures {
		if f.Surroundings == nil || f.Surroundings.Planned == nil {
			continue
		}
		if first {
			d.add(heading{Level: 2, Text: "Bone around the fixtures", Page: true}, paragraph{Text: boneText, Small: true})
		}
		first = false
		_, label, _ := o.site(f.Site)
		if f.Surroundings.Achieved != nil {
			d.add(finer(boneTable(*f.Surroundings.Achieved, "site "+label+", as placed")))
		}
		d.add(finer(boneTable(*f.Surroundings.Planned, "site "+label+", as planned")))
	}
}

func finer(t table) table {
	t.Fine = true
	return t
}

// boneText is how the table of bone is to be read.
const boneText = "Read from the planning scan along rays from the fixture's nominal wall, before surgery: bone remodels afterwards, and an augmentation is not in it. " +
	"Less than zero is outside the bone. Grey values of cone-beam scans are not calibrated, so nothing is said about density. " +
	"How much bone is enough is common practice with conflicting evidence (1.5 to 2 mm to buccal are often asked for; a review of seven studies found no least thickness that could be verified)."

// boneTable has the directions down and the depths across.
func boneTable(around measurement.Around, which string) table {
	t := table{Caption: "Bone outside the fixture's wall, mm, " + which + ", by depth below the platform, and the crest above the platform; ± covers 95 %",
		Dense: true, Columns: []column{{Head: "towards", Share: 16}}}
	var depths []float64
	var directions []string
	for _, w := range around.Wall {
		if !slices.Contains(depths, w.Depth) {
			depths = append(depths, w.Depth)
			t.Columns = append(t.Columns, column{Head: fmt.Sprintf("%.1f mm", w.Depth), Share: 14})
		}
		if !slices.Contains(directions, w.Direction) {
			directions = append(directions, w.Direction)
		}
	}
	t.Columns = append(t.Columns, column{Head: "crest", Share: 14})
	for _, direction := range directions {
		r := row{Cells: []string{direction}}
		for _, w := range around.Wall { // by depth, then direction
			if w.Direction == direction {
				r.Cells = append(r.Cells, wallText(w))
				r.Strong = r.Strong || severity.OutsideBone(w)
			}
		}
		crest := ""
		for _, c := range around.Crest {
			if c.Direction == direction {
				crest = crestText(c)
			}
		}
		r.Cells = append(r.Cells, crest)
		if len(r.Cells) == len(t.Columns) {
			t.Rows = append(t.Rows, r)
		}
	}
	beyond := make([]string, len(t.Columns))
	beyond[0], beyond[1] = "beyond apex", apicalText(around)
	t.Rows = append(t.Rows, row{Cells: beyond})
	return t
}

// notKnown says in a table why a distance is not there.
var notKnown = map[string]string{
	"not-in-bone": "not in bone", "far": "far", "not-scanned": "not scanned", "metal": "metal", "disturbed": "disturbed",
	"grazing": "oblique", "too-thin": "thin plate", "behind": "tooth",
}

func wallText(w measurement.Wall) string {
	switch {
	case w.First != nil:
		return obstacleText(*w.First)
	case w.Bone != nil:
		return withHalf(*w.Bone, w.Low, w.High)
	}
	return boundText(w.Why, w.Low, w.High)
}

func crestText(c measurement.Crest) string {
	if c.Crest != nil {
		return withHalf(*c.Crest, c.Low, c.High)
	}
	return boundText(c.Why, c.Low, c.High)
}

func apicalText(a measurement.Around) string {
	switch {
	case a.Apical != nil && a.Apical.First != nil:
		return obstacleText(*a.Apical.First)
	case a.ApicalMM != nil && a.Apical != nil:
		return withHalf(*a.ApicalMM, a.Apical.Low, a.Apical.High)
	case a.Apical == nil:
		return "not known"
	}
	return boundText(a.Apical.Why, a.Apical.Low, a.Apical.High)
}

func obstacleText(o measurement.Obstacle) string {
	words := map[string]string{"root": "tooth", "nasal-cavity": "nose"}
	what := words[o.What]
	if what == "" {
		what = outside(o.What)
	}
	return fmt.Sprintf("%s %.1f", what, o.MM)
}

func withHalf(v float64, low, high *float64) string {
	if low == nil || high == nil {
		return fmt.Sprintf("%.1f", v)
	}
	return fmt.Sprintf("%.1f ± %.1f", v, max(0.1, (*high-*low)/2))
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
