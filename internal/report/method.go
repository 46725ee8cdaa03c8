package report

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"plumbline/internal/evidence"
	"plumbline/internal/measurement"
	"plumbline/internal/registration"
	"plumbline/internal/registration/intensity"
	"plumbline/internal/report/drawing"
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
	if onto := laidOnto(method); onto != "" {
		return "the surface scan, laid onto " + onto
	}
	return outside(method)
}

// laidOnto words what a surface scan was laid onto, "" for an alignment of two scans.
func laidOnto(method string) string {
	switch method {
	case "surface onto planning scan":
		return "the planning scan"
	case "surface onto surface":
		return "the one before surgery"
	case "surface onto surface and planning scan":
		return "the one before surgery and the planning scan"
	}
	return ""
}

// heldAgainst says how a given alignment is judged.
const heldAgainst = "It was held against the voxels of both scans around the sites: how far they fit from it is a quality below, and its uncertainty follows from that. Where they cannot tell, a note says so."

// alignmentText says what an alignment of a kind rests on.
func alignmentText(method string) string {
	switch {
	case strings.HasSuffix(method, "refined on the scans"):
		return "A given start was refined on the voxels of both scans around the sites, in their own jaw."
	case method == "scans":
		return "The scans themselves gave the alignment: a search first, then a fit of the jaw that carries the fixtures (local normalised correlation). The other jaw moves on its own and does not count. How far parts of the jaw, each fitted alone, agree gives the error."
	case method == "same-frame":
		return "Both scans carry the same DICOM Frame of Reference and were taken as lying in one frame. " + heldAgainst
	case method == "landmarks":
		return "Pairs of points that a person marked in both scans gave the alignment, by least squares (Arun, Huang and Blostein, IEEE Trans Pattern Anal Mach Intell 1987;9:698). " + heldAgainst
	case method == "matrix":
		return "The case file gave the alignment as a matrix. " + heldAgainst
	}
	if onto := laidOnto(method); onto != "" {
		return "The surface scan was laid onto " + onto + ": from every scan body that may be the fixture's, in every turn, then along its own surface. In the planning scan the edge of the enamel counts. What differs does not count, and what is near the fixtures counts most. The error comes from leaving out parts of the arch in turn, from how far surface scans bend over an arch, and from how well surfaces and edges lie in planning scans."
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
	{"error_u_mm", "alignment error at the fixture (standard uncertainty)", false, fmt.Sprintf("under %g mm", registration.DoubtfulError)},
	{"disagreement_mm", "disagreement between parts of the jaw around the sites", false, fmt.Sprintf("under %g mm", intensity.DoubtfulDisagreement)},
	{"head_travel_mm", "travel of a head during a scan that the intervals take in", false, ""},
	{"similarity_ratio", "likeness of the scans around the sites", true, "near 100 %"},
	{"coverage_ratio", "share of the jaw around the sites that both scans show", true, "near 100 %"},
	{"residual_mm", "spread of the surface scan about what it was laid onto", false, "under 0.1 mm"},
	{"median_distance_mm", "median distance from it", false, ""},
	{"on_surface_ratio", "share of what lies near it that lies on it", true, "over 72 %"},
	{"overlap_mm2", "area that lies near it", false, "over 300 mm²"},
	{"surface_and_scan_differ_mm", "the surface before surgery from where the planning scan shows it, at the planned fixture", false, "under 0.5 mm"},
	{"surface_and_scan_differ_deg", "the same, turn", false, "under 1.5°"},
	{"scale_ratio", "lengths in the planning frame against the surface scan", false, sameLength},
	{"runner_up_ratio", "score of the second-best alignment, of the chosen one's", true, fmt.Sprintf("under %.0f %%", 100*intensity.RivalScore)},
	{"scale_columns_ratio", "lengths along the columns, follow-up to planning scan", false, sameLength},
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

const sameLength = "100 %, within twice u"

func qualityTable(quality map[string]float64) table {
	t := table{Caption: "How good the alignment is", Dense: true, Columns: []column{{Head: "figure", Share: 44}, {Head: "value", Share: 22}, {Head: "good is", Share: 24}}}
	known := map[string]bool{}
	add := func(f qualityFigure) {
		v, has := quality[f.key]
		if !has || math.IsNaN(v) {
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
		case strings.HasSuffix(f.key, "_mm2"):
			value = fmt.Sprintf("%.0f mm²", v)
		case f.percent:
			value = fmt.Sprintf("%.0f %%", 100*v)
		case ratio && spread:
			value = fmt.Sprintf("%.2f %% (u %.2f %%)", 100*v, 100*u)
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
	d.add(heading{Level: 2, Text: alignmentTitle(c), Page: s != nil}, paragraph{Small: true, Text: alignmentText(c.Alignment.Method)})
	if s != nil {
		d.alignmentChecks(c, s, o)
		return
	}
	d.add(paragraph{Text: "This report was made from a stored measurement without its scans, so it has no cuts through the scan and no check picture. Make it from the case folder to have them."})
	if len(c.Alignment.Quality) > 0 {
		d.add(qualityTable(c.Alignment.Quality))
	}
}

// checksAcross leaves room for the checks of two sites on a page.
const checksAcross = 4

// ofSurface reports whether a case's fixtures were found on a surface scan.
func ofSurface(c *measurement.Case) bool {
	return slices.ContainsFunc(c.Fixtures, func(f measurement.Fixture) bool { return f.Evidence == string(evidence.SurfaceScan) })
}

func alignmentTitle(c *measurement.Case) string {
	if ofSurface(c) {
		return "Alignment of the surface scan"
	}
	return "Alignment of the two scans"
}

// How an alignment's pictures are looked at.
const (
	checkEdges    = "Check it by eye: the planning scan is grey, and the follow-up scan's edges lie over it as light lines with dark rims. They must run along the planning scan's own bone and roots. The fixture's own edges have nothing to run along."
	checkSurfaces = "Check it by eye: the surface scan and its scan body are light lines over the planning scan. On crowns they must run along the enamel; gum hardly shows in such a scan. The map shows how far the surface lies from what it was laid onto: pale is good, dark beside the fixture is not; what is ruled lies inside of it. What is hatched did not count: gum, the scan body, and what changed between the scans."
)

// alignmentChecks shows the alignment at each fixture, for the eye, with its figures
// beside or under the pictures.
func (d *Document) alignmentChecks(c *measurement.Case, s *scenes, o Options) {
	check := checkEdges
	if ofSurface(c) {
		check = checkSurfaces
	}
	both := slices.ContainsFunc(s.fixtures, func(p fixturePictures) bool { return len(p.beside) > 0 })
	d.add(paragraph{Small: true, Text: check})
	if len(c.Fixtures) == 1 && !both && len(c.Alignment.Quality) > 0 {
		checks := s.fixtures[0].alignment
		last := len(checks) - 1
		large := pictures{Across: 2}
		for _, check := range checks[:last] {
			large.Items = append(large.Items, picture{Drawing: check})
		}
		d.add(large, beside{Left: []block{qualityTable(c.Alignment.Quality)}, Right: []block{picture{Drawing: checks[last]}}, Share: 0.45})
		return
	}
	row := func(f measurement.Fixture, drawings []drawing.Drawing) {
		_, label, _ := o.site(f.Site)
		checks := pictures{Across: checksAcross}
		if len(c.Fixtures) == 1 {
			checks.Across = len(drawings)
		}
		for _, check := range drawings {
			p := picture{Drawing: check}
			if len(c.Fixtures) > 1 {
				p.Caption = "Site " + label + "."
			}
			checks.Items = append(checks.Items, p)
		}
		d.add(checks)
	}
	for i, f := range c.Fixtures {
		row(f, s.fixtures[i].alignment)
	}
	if both {
		d.add(heading{Level: 3, Text: "The surface scan beside the follow-up scan"}, paragraph{Small: true, Text: checkSurfaces})
		for i, f := range c.Fixtures {
			if len(s.fixtures[i].beside) > 0 {
				row(f, s.fixtures[i].beside)
			}
		}
	}
	if len(c.Alignment.Quality) > 0 {
		t := qualityTable(c.Alignment.Quality)
		t.Fine = true
		for i, share := range []float64{62, 20, 44} {
			t.Columns[i].Share = share
		}
		d.add(t)
	}
}

// definitions are the figures as the program defines them.
var definitions = [][2]string{
	{"entry, apex", "Centre of the platform on the fixture's axis; the point where the axis leaves the other end."},
	{"entry deviation, apex deviation", "Distance between the planned and the achieved point. Its part along the planned axis is the depth: deeper is more apical. The rest lies across the axis, and is told mesiodistally and buccolingually."},
	{"angle, tilt", "Angle between the two axes in space; what of it is seen from buccal and from mesial."},
	{"clearance", "Smallest distance from the fixture's surface (outer thread diameter, rounded apex) to a structure as it was drawn or found; below zero the fixture reaches in. How well the drawing is known is in the interval where the case says it."},
	{"bone outside the wall", "From the fixture's smooth wall outwards to the bone's surface, in the planning scan, before surgery; below zero the wall is outside the bone. Cone-beam grey values are not calibrated, so nothing is said of density. To buccal 1.5 to 2 mm are often asked for; the evidence conflicts."},
	{"measurement floor", "Even a perfectly placed fixture could measure up to this much in this scan, in 95 of 100 measurements: \"seen from\", the grey block on the rulers. A smaller figure means that no deviation was seen."},
	{"95 % interval", "The true figure lies in such an interval in 95 of 100 measurements (JCGM 101:2008, 20 000 draws; Neyman's interval for distances and angles)."},
	{"standard uncertainty, u", "Standard deviation of a figure's error (JCGM 100:2008)."},
}

// definitionTable lists the definitions.
func definitionTable() table {
	t := table{Fine: true, Columns: []column{{Head: "term", Share: 25}, {Head: "meaning", Share: 95}}}
	for _, x := range definitions {
		t.Rows = append(t.Rows, row{Cells: []string{x[0], x[1]}})
	}
	return t
}

// method is everything behind the figures.
func (d *Document) method(c *measurement.Case, o Options) {
	d.add(heading{Level: 2, Text: "Appendix: how it was measured", Page: true},
		paragraph{Small: true, Text: methodText(c)},
		heading{Level: 3, Text: "Definitions"}, definitionTable())
	var budgeted []measurement.Fixture
	for _, f := range c.Fixtures {
		if f.Uncertainty != nil && len(f.Uncertainty.Budget) > 0 {
			budgeted = append(budgeted, f)
		}
	}
	for part := range slices.Chunk(budgeted, budgetsBeside) {
		var labels []string
		for _, f := range part {
			_, label, _ := o.site(f.Site)
			labels = append(labels, label)
		}
		d.add(heading{Level: 3, Text: plural(len(part), "Uncertainty budget, site ", "Uncertainty budgets, sites ") + strings.Join(labels, " and ")}, budgetTable(part, labels))
	}
	in := c.Inputs
	d.add(heading{Level: 3, Text: "What was measured"},
		inputsTable(in, c.Program),
		heading{Level: 3, Text: "Cautions"}, paragraph{Small: true, Text: strings.Join(wording.Cautions, " ")})
}

// methodText says in short how the placed fixtures were found.
func methodText(c *measurement.Case) string {
	const plan, end = "The plan gives each fixture's entry and apex in the planning scan. ", " Deviations and clearances follow from the two places."
	if ofSurface(c) {
		return plan + "The surface scan was laid onto it as said above. On it the stated scan body was fitted where it stands near the plan; the fixture goes on below the body's seat by its stated length. That the body was down on the fixture is taken on trust." + end
	}
	return plan + "The follow-up scan was aligned to it as said above. In it a model of the fixture, blurred as the scan blurs, was fitted to the metal near the plan. Where something sits on the platform, the entry comes from the apex and the stated length; that length was held against where the scan shows the platform." + end
}

// inputsTable lists what went in; of a case without a follow-up scan there are no rows of one.
func inputsTable(in measurement.Inputs, program measurement.Program) table {
	t := table{Caption: "Fingerprints (SHA-256) of the measured files; anyone who has the files can compare them", Fine: true, Columns: []column{{Head: "input", Share: 26}, {Head: "identity", Share: 90, Mono: true}}}
	add := func(input, identity string) { t.Rows = append(t.Rows, row{Cells: []string{input, identity}}) }
	add("case file", outside(in.PlanSHA256))
	add("planning scan, voxels and grid", outside(in.PreSHA256))
	add("planning scan, series", outside(in.PreSeries))
	if in.PostSHA256 != "" || in.PostSeries != "" {
		add("follow-up scan, voxels and grid", outside(in.PostSHA256))
		add("follow-up scan, series", outside(in.PostSeries))
	}
	for _, f := range in.Files {
		add(outside(f.Name), outside(f.SHA256))
	}
	add("program; seed of its draws", fmt.Sprintf("plumbline %s; %d", outside(program.Version), program.Seed))
	return t
}

// budgetsBeside is how many budgets a page has room for beside each other.
const budgetsBeside = 2

// budgetTable has the budgets of fixtures beside each other, a row a source.
func budgetTable(fixtures []measurement.Fixture, labels []string) table {
	t := table{Caption: "Standard uncertainty of the achieved ends by source; across is for each direction", Fine: true, Columns: []column{{Head: "source", Share: 62}}}
	var names []string
	for i, f := range fixtures {
		at := ""
		if len(fixtures) > 1 {
			at = labels[i] + ": "
		}
		for _, head := range []string{"entry along", "entry across", "apex along", "apex across", "angle"} {
			t.Columns = append(t.Columns, column{Head: at + head, Share: 18})
		}
		for _, s := range f.Uncertainty.Budget {
			if !slices.Contains(names, s.Name) {
				names = append(names, s.Name)
			}
		}
	}
	for _, name := range names {
		r := row{Cells: []string{outside(name)}}
		for _, f := range fixtures {
			r.Cells = append(r.Cells, budgetCells(f.Uncertainty.Budget, name)...)
		}
		t.Rows = append(t.Rows, r)
	}
	all := row{Strong: true, Cells: []string{"together"}}
	for _, f := range fixtures {
		all.Cells = append(all.Cells, budgetCells(f.Uncertainty.Budget, "")...)
	}
	t.Rows = append(t.Rows, all)
	return t
}

// budgetCells are the parts of a source, or of all together where no name is given; empty
// where a budget has no such source.
func budgetCells(budget []measurement.Source, name string) []string {
	var sum [5]float64
	found := false
	for _, s := range budget {
		if name != "" && s.Name != name {
			continue
		}
		found = true
		for i, x := range [5]float64{s.EntryAlong, s.EntryAcross, s.ApexAlong, s.ApexAcross, s.Angle} {
			sum[i] += x * x
		}
	}
	out := make([]string, len(sum))
	if !found {
		return out
	}
	for i, x := range sum[:4] {
		out[i] = fmt.Sprintf("%.0f µm", 1000*math.Sqrt(x))
	}
	out[4] = measurement.Degrees.Behind(fmt.Sprintf("%.2f", math.Sqrt(sum[4])))
	return out
}
