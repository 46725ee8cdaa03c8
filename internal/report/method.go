package report

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"plumbline/internal/measurement"
	"plumbline/internal/registration"
	"plumbline/internal/registration/intensity"
	"plumbline/internal/report/wording"
)

// methodName words how the scans were aligned.
func methodName(method string) string {
	switch method {
	case "scans":
		return "the scans' own voxels"
	case "same-frame":
		return "their shared frame of reference"
	case "landmarks":
		return "landmark pairs"
	case "matrix":
		return "a given matrix"
	}
	if strings.HasPrefix(method, "surface onto") {
		return "the " + method[len("surface onto "):] + ", which the surface scan was laid onto"
	}
	return outside(method)
}

// heldAgainst says how a given alignment is judged.
const heldAgainst = "It was held against the voxels of both scans around the sites: how far they fit from it is a quality below, and its uncertainty follows from that. Where they cannot tell, a note says so."

// alignmentText says what an alignment of a kind rests on.
func alignmentText(method string) string {
	switch {
	case strings.HasSuffix(method, "refined on the scans"):
		return "A given start was refined on the voxels of both scans around the sites, in their own jaw."
	case method == "scans":
		return "Both scans were brought into one frame by their own voxels: a search over turns and places, then a fit by local normalised correlation on the jaw that carries the fixtures. Each jaw is its own rigid body, so this holds for this jaw only. The error is estimated from how far groups of the region, each asked alone, agree."
	case method == "same-frame":
		return "Both scans carry the same DICOM Frame of Reference and were taken as lying in one frame. " + heldAgainst
	case method == "landmarks":
		return "Pairs of points that a person marked in both scans gave the alignment, by least squares (Arun, Huang and Blostein, IEEE Trans Pattern Anal Mach Intell 1987;9:698). " + heldAgainst
	case method == "matrix":
		return "The case file gave the alignment as a matrix. " + heldAgainst
	}
	if strings.HasPrefix(method, "surface onto") {
		return "The surface scan was laid onto the surface scan before surgery, onto the edge of the enamel in the planning scan, or onto both, weighted by how well each is known: starts from every scan body that may be the fixture's in every turn, then least squares of the distances along the surface's normals, in which what differs has no weight and what is near the fixtures has most. The error is estimated from parts of the arch left out in turn, from how far surface scans bend over an arch, and from how surfaces and edges lie in planning scans."
	}
	return "Alignment method: " + outside(method) + "."
}

// qualityFigure is what a report says of one figure of an alignment's quality.
type qualityFigure struct {
	key, name string // as stored, and in words
	percent   bool
	good      string // what it should be; "" where nothing is expected of it
}

// qualityFigures are those that the program states, in the order in which they are listed.
var qualityFigures = []qualityFigure{
	{"error_u_mm", "alignment error at the fixture, standard uncertainty; of several ends the largest", false, fmt.Sprintf("under %g mm", registration.DoubtfulError)},
	{"disagreement_mm", "disagreement between parts of the jaw around the sites", false, fmt.Sprintf("under %g mm", intensity.DoubtfulDisagreement)},
	{"head_travel_mm", "travel of a head during a scan that the intervals take in", false, ""},
	{"similarity_ratio", "likeness of the scans around the sites", true, fmt.Sprintf("near 100 %%; under %.0f %% they are refused", 100*intensity.RefusedSimilarity)},
	{"coverage_ratio", "share of the jaw around the sites that both scans show", true, "near 100 %"},
	{"residual_mm", "distance of the surface scan from what it was laid onto, robust standard deviation", false, "under 0.1 mm"},
	{"on_surface_ratio", "share of the surface scan near what it was laid onto that lies on it", true, "over 72 %"},
	{"overlap_mm2", "area of the surface scan near what it was laid onto, mm²", false, "over 300"},
	{"surface_and_scan_differ_mm", "the surface before surgery from where the planning scan shows it, at the planned fixture", false, "under 0.5 mm"},
	{"surface_and_scan_differ_deg", "the same, turn", false, "under 1.5°"},
	{"scale_ratio", "lengths in the planning frame against the surface scan", false, sameLength},
	{"runner_up_ratio", "score of the second-best alignment, of the chosen one's", true, fmt.Sprintf("under %.0f %%", 100*intensity.RivalScore)},
	{"scale_columns_ratio", "lengths along the columns, follow-up against planning scan", false, sameLength},
	{"scale_rows_ratio", "lengths along the rows", false, sameLength},
	{"scale_slices_ratio", "lengths along the slices", false, sameLength},
	{"fre_rms_mm", "distance left between landmark pairs, root mean square", false, ""},
	{"fle_rms_mm", "error of marking one landmark, root mean square, estimated from it", false, ""},
	{"largest_residual_mm", "largest distance left between a landmark pair", false, ""},
	{"scans_differ_mm", "how far the scans fit from the given alignment, at the worst end of a fixture", false, fmt.Sprintf("under %g mm", registration.ToleratedDifference)},
	{"scans_differ_deg", "how far they are turned against it", false, ""},
	{"refinement_moved_mm", "how far the refinement moved a planned fixture", false, ""},
	{"refined_by_deg", "how far the refinement turned the scan", false, ""},
}

const sameLength = "1, within twice its uncertainty"

func qualityTable(quality map[string]float64) table {
	t := table{Caption: "How good the alignment is", Dense: true, Columns: []column{{Head: "figure", Share: 44}, {Head: "value", Share: 22}, {Head: "good is", Share: 24}}}
	known := map[string]bool{}
	add := func(f qualityFigure) {
		v, has := quality[f.key]
		if !has {
			return
		}
		value := fmt.Sprintf("%.2f", v)
		base, ratio := strings.CutSuffix(f.key, "_ratio")
		u, spread := quality[base+"_u_ratio"]
		switch {
		case strings.HasSuffix(f.key, "_mm"):
			value = wording.Of(v, measurement.MM.Symbol())
		case strings.HasSuffix(f.key, "_deg"):
			value = wording.Of(v, measurement.Degrees.Symbol())
		case f.percent:
			value = fmt.Sprintf("%.0f %%", 100*v)
		case ratio && spread:
			value = fmt.Sprintf("%.4f (u %.4f)", v, u)
			known[base+"_u_ratio"] = true
		}
		known[f.key] = true
		t.Rows = append(t.Rows, row{Cells: []string{f.name, value, f.good}})
	}
	for _, f := range qualityFigures {
		add(f)
	}
	for _, key := range slices.Sorted(maps.Keys(quality)) {
		if !known[key] {
			add(qualityFigure{key: key, name: outside(strings.ReplaceAll(key, "_", " "))})
		}
	}
	return t
}

// alignment is the section about how the scans were brought together.
func (d *Document) alignment(c *measurement.Case, s *scenes, o Options) {
	d.add(heading{Level: 2, Text: alignmentTitle, Page: s != nil}, paragraph{Text: alignmentText(c.Alignment.Method)})
	if s != nil {
		d.alignmentChecks(c, s, o)
		return
	}
	d.add(paragraph{Text: "This report was made from a stored measurement without its scans, so it has no cuts through the scan and no check picture. Make it from the case folder to have them."})
	if len(c.Alignment.Quality) > 0 {
		d.add(qualityTable(c.Alignment.Quality))
	}
}

const alignmentTitle = "Alignment of the two scans"

// alignmentChecks shows the alignment at each fixture, for the eye, with the qualities
// beside the first.
func (d *Document) alignmentChecks(c *measurement.Case, s *scenes, o Options) {
	d.add(paragraph{Text: "Check it by eye: the planning scan is grey, and the follow-up scan's edges lie over it as light lines with dark rims. They must run along the planning scan's own bone and roots. The fixture's own edges have nothing to run along."})
	for i, f := range c.Fixtures {
		_, label, _ := o.site(f.Site)
		checks := pictures{Across: 2}
		for _, check := range s.fixtures[i].alignment {
			checks.Items = append(checks.Items, picture{Drawing: check})
		}
		if len(c.Fixtures) > 1 {
			d.add(heading{Level: 3, Text: "Site " + label})
		}
		last := len(checks.Items) - 1
		if i > 0 || len(c.Alignment.Quality) == 0 {
			checks.Across = len(checks.Items)
			d.add(checks)
			continue
		}
		d.add(pictures{Across: checks.Across, Items: checks.Items[:last]},
			beside{Left: []block{qualityTable(c.Alignment.Quality)}, Right: checks.Items[last]})
	}
}

// definitions are the figures as the program defines them.
var definitions = [][2]string{
	{"entry point, apex point", "Centre of the platform on the fixture's axis; the point where the axis leaves the other end. The axis points from entry to apex."},
	{"entry deviation, apex deviation", "Distance between the planned and the achieved point."},
	{"along the axis (depth)", "Part of that distance along the planned axis; deeper is more apical."},
	{"across the axis (lateral)", "The rest of it, perpendicular to the planned axis."},
	{"mesiodistal, buccolingual", "The lateral part on the site's two directions, which are perpendicular to the planned axis."},
	{"angle", "Angle between the two axes in space."},
	{"tilt of the apex", "The angle seen in the mesiodistal and in the buccolingual plane."},
	{"clearance", "Smallest distance from the fixture's envelope (outer thread diameter, rounded apex) to a structure's surface; negative is a penetration. The structure is taken as drawn in the plan; its own uncertainty is in the interval where the case states it (drawn_uncertainty)."},
	{"standard uncertainty, u", "Standard deviation of a figure's error (JCGM 100:2008)."},
	{"95 % interval", "Interval from propagating the distributions of both ends to each figure by 20 000 random draws (JCGM 101:2008); for distances and angles, which no error can make negative, Neyman's interval."},
	{"measurement floor", "Even a perfectly placed fixture could measure this much here. A smaller figure means that no deviation was seen."},
}

// definitionTable lists the definitions.
func definitionTable() table {
	t := table{Dense: true, Columns: []column{{Head: "term", Share: 30}, {Head: "meaning", Share: 90}}}
	for _, x := range definitions {
		t.Rows = append(t.Rows, row{Cells: []string{x[0], x[1]}})
	}
	return t
}

// method is everything behind the figures.
func (d *Document) method(c *measurement.Case, o Options) {
	d.add(heading{Level: 2, Text: "How it was measured"},
		paragraph{Text: "The plan gives each fixture's entry and apex in the planning scan. The follow-up scan was aligned to it as said above. In the follow-up scan a model of a fixture of the known size, blurred as the scan blurs, was fitted to the metal near the planned place and checked against the threshold half way between metal and surroundings. Something may sit on the platform, so the entry comes from the apical end and the known length where the metal goes on. That length was held against where the scan shows the platform. Deviations and clearances follow from the two poses."},
		heading{Level: 3, Text: "Definitions"}, definitionTable())
	for _, f := range c.Fixtures {
		if f.Uncertainty == nil || len(f.Uncertainty.Budget) == 0 {
			continue
		}
		_, label, _ := o.site(f.Site)
		d.add(heading{Level: 3, Text: "Uncertainty budget, site " + label}, budgetTable(f.Uncertainty.Budget))
	}
	in := c.Inputs
	d.add(heading{Level: 3, Text: "What was measured"},
		inputsTable(in, c.Program),
		notice{Title: "Cautions", Items: wording.Cautions})
}

// inputsTable lists what went in; of a case without a follow-up scan there are no rows of one.
func inputsTable(in measurement.Inputs, program measurement.Program) table {
	t := table{Caption: "Fingerprints (SHA-256) of the measured files; anyone who has the files can compare them", Dense: true, Columns: []column{{Head: "input", Share: 26}, {Head: "identity", Share: 90, Mono: true}}}
	add := func(input, identity string) { t.Rows = append(t.Rows, row{Cells: []string{input, identity}}) }
	add("case file", outside(in.PlanSHA256))
	add("planning scan, voxels and grid", outside(in.PreSHA256))
	add("planning scan, series", outside(in.PreSeries))
	if in.PostSHA256 != "" || in.PostSeries != "" {
		add("follow-up scan, voxels and grid", outside(in.PostSHA256))
		add("follow-up scan, series", outside(in.PostSeries))
	}
	add("program", "plumbline "+outside(program.Version))
	add("seed of the random draws", fmt.Sprint(program.Seed))
	return t
}

func budgetTable(budget []measurement.Source) table {
	t := table{Caption: "Standard uncertainty of the achieved ends by source; across is for each direction", Dense: true, Columns: []column{
		{Head: "source", Share: 40}, {Head: "entry, along", Share: 18}, {Head: "entry, across", Share: 18}, {Head: "apex, along", Share: 18},
		{Head: "apex, across", Share: 18}, {Head: "angle", Share: 16}}}
	var sum [5]float64
	cells := func(name string, v [5]float64) []string {
		out := []string{name}
		for i, x := range v {
			unit := measurement.MM
			if i == 4 {
				unit = measurement.Degrees
			}
			out = append(out, unit.Behind(fmt.Sprintf("%.3f", x)))
		}
		return out
	}
	for _, s := range budget {
		v := [5]float64{s.EntryAlong, s.EntryAcross, s.ApexAlong, s.ApexAcross, s.Angle}
		for i, x := range v {
			sum[i] += x * x
		}
		t.Rows = append(t.Rows, row{Cells: cells(outside(s.Name), v)})
	}
	for i := range sum {
		sum[i] = math.Sqrt(sum[i])
	}
	t.Rows = append(t.Rows, row{Strong: true, Cells: cells("together", sum)})
	return t
}
