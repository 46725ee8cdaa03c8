package casefile

import (
	"fmt"
	"math"
	"path/filepath"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/tooth"
)

const (
	// A planned fixture shorter or longer than this, mm, is a wrong number: the
	// shortest ones sold are 4 mm, those that reach the cheekbone stay below 60.
	// Common practice, no source.
	minLength, maxLength = 4, 60
	// Outer diameters, mm, run from narrow one-piece fixtures below 2 to wide
	// molar ones of about 8. Common practice, no source.
	minDiameter, maxDiameter = 1, 10
	// maxLengthGap is how far the length may lie from the distance of entry and
	// apex, mm: catalogue lengths are rounded, and some are counted from the
	// bone level.
	maxLengthGap = 0.5
	// maxUnitGap is how far a direction's length may lie from 1: two printed
	// decimals pass, a point in mm does not.
	maxUnitGap = 0.05
	// minMesialAngle is the least angle between the mesial direction and the
	// fixture's axis, radians. Fixtures stand up to some 45° askew; a direction
	// nearer to the axis than 20° is not the arch's.
	minMesialAngle = 20 * math.Pi / 180
	// minEntryGap is how near two planned entries may lie, mm: no two fixtures
	// are that close, so the second was copied from the first.
	minEntryGap = 1
	// maxRadius and maxMargin bound a structure's size, mm; more is a wrong unit.
	maxRadius, maxMargin = 100, 50
	// maxUncertainty, mm, of what was set or drawn by hand: beyond it nothing was known.
	maxUncertainty = 5
)

// Bounds on what one case has. A mouth has 32 teeth; with two roots to keep clear
// of at each, canals and sinuses, there are some 100 structures; a centre line of
// 10,000 points has one every 0.02 mm of the longest canal; three landmarks are
// enough and some ten are usual. Common practice, no source.
const (
	maxFixtures   = 64
	maxStructures = 256
	maxPath       = 10_000
	maxLandmarks  = 1_000
)

const pointExample = "[-24.10, 11.32, 8.05]"

// read checks the whole file. The result counts only while d.err is nil.
func (d *document) read(values map[string]any) *Case {
	root := table{d: d, values: values}
	root.allow("case", "placed", "clinician", "simulated", "frame", "numbering", "pre", "post", "post_surface", "pre_surface", "surface_unit", "fixture", "structure", "alignment")
	for _, need := range [][2]string{
		{"case", `case = "C-007"`},
		{"placed", "placed = 2026-03-14"},
		{"clinician", `clinician = "clinician-a"`},
		{"numbering", `numbering = "iso3950" (or "universal"): tooth 11 to 28 means another tooth in each`},
		{"pre", `pre = "pre"`},
		{"fixture", `a table headed [[fixture]] with site, entry, apex and diameter`},
	} {
		root.require(need[0], need[1])
	}
	c := &Case{
		File:      d.file,
		Name:      root.pseudonym("case", `case = "C-007"`),
		Placed:    root.date("placed"),
		Clinician: root.pseudonym("clinician", `clinician = "clinician-a"`),
		Simulated: root.boolean("simulated"),
		Frame:     LPS,
		Numbering: choice(root, "numbering", tooth.ISO3950, tooth.Universal),
		Pre:       root.sitePath("pre", `pre = "pre"`),
		lines:     d.lines,

		PostSurface: root.sitePath("post_surface", `post_surface = "after.stl"`),
		PreSurface:  root.sitePath("pre_surface", `pre_surface = "before.stl"`),
		SurfaceUnit: Units[0],
	}
	if root.has("surface_unit") {
		c.SurfaceUnit = choice(root, "surface_unit", Units...)
	}
	switch {
	case c.PreSurface != "" && c.PostSurface == "":
		root.fail("pre_surface", "it is the surface before of a post_surface, and there is none; name the surface scan with the scan bodies as post_surface = \"after.stl\"")
	case c.PreSurface != "" && c.PreSurface == c.PostSurface:
		root.fail("post_surface", "the surface scans before and after are the same file; name the two scans")
	}
	if root.values["post"] != "" { // nothing is entered before surgery
		c.Post = root.sitePath("post", `post = "post"`)
	}
	if root.has("frame") {
		c.Frame = choice(root, "frame", Frames...)
	}
	if c.Pre != "" && c.Pre == c.Post {
		root.fail("post", "planning and follow-up scan are the same folder or file; name the two scans")
	}
	c.readFixtures(root)
	c.readStructures(root)
	c.readAlignment(root)
	return c
}

// sitePath reads a path inside the case folder.
func (t table) sitePath(key, example string) string {
	const forward = "write / and not \\ between folder and file, as in %s"
	if raw, ok := t.values[key].(string); ok && strings.ContainsAny(raw, "\t\n\r\f\b\x1b") { // what \t, \n and the like stand for
		t.fail(key, forward, example)
		return ""
	}
	s := t.text(key, example)
	if s == "" {
		return ""
	}
	drive := len(s) > 1 && s[1] == ':'
	switch {
	case strings.Contains(s, `\`):
		t.fail(key, forward, example)
	case drive || !filepath.IsLocal(filepath.FromSlash(s)):
		t.fail(key, "it leaves the case folder; put the files beside case.toml and write for example %s", example)
	default:
		return filepath.Join(filepath.Dir(t.d.file), filepath.FromSlash(s))
	}
	return ""
}

func (c *Case) readFixtures(root table) {
	tables := root.tables("fixture", "a table headed [[fixture]], with double brackets", maxFixtures, fixtureField)
	if root.has("fixture") && len(tables) == 0 {
		root.fail("fixture", "it is empty; write a table headed [[fixture]] with site, entry, apex and diameter")
	}
	sites := map[tooth.Number]int{}
	for i, t := range tables {
		f := c.readFixture(t)
		if f.Site != 0 {
			if first, taken := sites[f.Site]; taken {
				t.fail("site", "tooth %s is also the site of %s; each site can have one fixture", f.Site.Label(c.Numbering), fixtureField(first))
			}
			sites[f.Site] = i
		}
		for j, other := range c.Fixtures {
			if f.inCaseFile() && other.inCaseFile() && r3.Norm(r3.Sub(f.Planned.Entry, other.Planned.Entry)) < minEntryGap {
				t.fail("entry", "it lies within %d mm of the entry of %s; enter this fixture's own coordinates", minEntryGap, fixtureField(j))
			}
		}
		c.Fixtures = append(c.Fixtures, f)
	}
}

func (c *Case) readFixture(t table) Fixture {
	t.allow("site", "entry", "apex", "diameter", "length", "guidance", "mesial", "placed_diameter", "placed_length", "mesh", "apex_hint", "plan", "component", "plan_uncertainty",
		"scan_body", "scan_body_diameter", "scan_body_height", "seating")
	t.require("site", `site = "36"`)
	f := Fixture{Mesh: t.mesh(), Object: t.object(c.Frame), Diameter: t.number("diameter", minDiameter, maxDiameter)}
	if f.inCaseFile() {
		t.require("entry", "entry = "+pointExample)
		t.require("apex", "apex = "+pointExample)
		t.require("diameter", "diameter = 4.1")
		f.Planned = geom.Pose{Entry: t.point("entry"), Apex: t.point("apex")}
	}
	if label := t.text("site", `site = "36"`); label != "" && c.Numbering != "" {
		site, err := tooth.Parse(label, c.Numbering)
		if err != nil {
			t.fail("site", "%v", err)
		}
		f.Site = site
	}
	distance := f.Planned.Length()
	if t.has("length") {
		f.Length = t.number("length", minLength, maxLength)
		if f.inCaseFile() && math.Abs(f.Length-distance) > maxLengthGap {
			t.fail("length", "it is %g mm, but entry and apex lie %s mm apart; %s", f.Length, apartText(distance), lengthRemedy(distance, f.Length))
		}
	} else if f.inCaseFile() {
		f.Length = distance
		if !MayBeLength(distance) {
			remedy := "coordinates in mm"
			if unit := UnitOf(distance, 0); unit != nil {
				remedy = unit.Remedy()
			}
			t.fail("apex", "entry and apex lie %s mm apart; expected a planned fixture of %d to %d mm, %s", apartText(distance), minLength, maxLength, remedy)
		}
	}
	if t.has("guidance") {
		f.Guidance = choice(t, "guidance", Guidances...)
	}
	f.Mesial = t.direction("mesial")
	if f.Mesial != nil && f.inCaseFile() {
		if message := alongFixture(*f.Mesial, f.Planned); message != "" {
			t.fail("mesial", "%s", message)
		}
	}
	f.PlacedDiameter, f.PlacedLength = f.Diameter, f.Length
	f.DiameterGiven, f.LengthGiven = t.has("placed_diameter"), t.has("placed_length")
	if f.DiameterGiven {
		f.PlacedDiameter = t.number("placed_diameter", minDiameter, maxDiameter)
	}
	if f.LengthGiven {
		f.PlacedLength = t.number("placed_length", minLength, maxLength)
	}
	if t.has("plan_uncertainty") {
		f.PlanUncertainty = t.number("plan_uncertainty", 0, maxUncertainty)
	}
	f.ScanBody = t.scanBody()
	if c.PostSurface != "" && f.ScanBody == nil {
		t.fail("scan_body", "what is seated on the fixture in the surface scan is not told; write scan_body = \"scan-body.stl\", or scan_body_diameter and scan_body_height of a plain cylinder")
	}
	return f
}

// Unit is a unit of length that coordinates may be in by mistake.
type Unit struct {
	Name string  // as in "centimetres"
	MM   float64 // of one of it
}

// mistakenUnits are tried in turn.
var mistakenUnits = []Unit{{"centimetres", 10}, {"inches", 25.4}, {"metres", 1000}, {"micrometres", 0.001}}

// Remedy says what to do with coordinates in it.
func (u Unit) Remedy() string {
	return fmt.Sprintf("the coordinates look like %s: multiply them by %g", u.Name, u.MM)
}

// usualShortest and usualLongest are the lengths of fixtures that tell a unit where
// none is stated, mm. Common practice, no source.
const usualShortest, usualLongest = 6.0, 18.0

// UnitOf is the unit in which entry and apex at a distance from each other make a
// fixture of a length, mm, or of a usual one where it is 0; nil where none does.
func UnitOf(distance, length float64) *Unit {
	for i := range mistakenUnits {
		u := &mistakenUnits[i]
		made := distance * u.MM
		if length == 0 && made >= usualShortest && made <= usualLongest ||
			length > 0 && math.Abs(made-length) <= maxLengthGap {
			return u
		}
	}
	return nil
}

// apartText is a distance with two decimals, or two digits where it has none of them.
func apartText(mm float64) string {
	if mm < 0.1 {
		return fmt.Sprintf("%.2g", mm)
	}
	return fmt.Sprintf("%.2f", mm)
}

// MayBeLength reports whether a planned fixture may be so long, mm.
func MayBeLength(mm float64) bool { return mm >= minLength && mm <= maxLength }

// lengthRemedy says what to do where a length and the distance of entry and apex
// differ.
func lengthRemedy(distance, length float64) string {
	if unit := UnitOf(distance, length); unit != nil {
		return unit.Remedy()
	}
	return fmt.Sprintf("they may differ by %g mm, so correct one of the three", maxLengthGap)
}

const (
	// Sizes of scan bodies, mm: on fixtures of 3 to 6, from low ones at molars to long ones.
	// Common practice, no source.
	minBodyDiameter, maxBodyDiameter = 2, 10
	minBodyHeight, maxBodyHeight     = 2, 25
	// maxSeating, mm, is a seat that anyone sees; the least is what gauges are made to.
	minSeating, maxSeating = 0.001, 1
)

// scanBody reads what is seated on a fixture; nil where the file says nothing.
func (t table) scanBody() *ScanBody {
	out := &ScanBody{File: t.sitePath("scan_body", `scan_body = "scan-body.stl"`)}
	cylinder := t.has("scan_body_diameter") || t.has("scan_body_height")
	switch {
	case t.has("scan_body") && cylinder:
		t.fail("scan_body", "the scan body has a file and sizes of a cylinder; leave one of both out")
	case cylinder:
		t.require("scan_body_diameter", "scan_body_diameter = 4.5")
		t.require("scan_body_height", "scan_body_height = 10.0")
		out.Diameter = t.number("scan_body_diameter", minBodyDiameter, maxBodyDiameter)
		out.Height = t.number("scan_body_height", minBodyHeight, maxBodyHeight)
	case !t.has("scan_body"):
		if t.has("seating") {
			t.fail("seating", "there is no scan body to be seated; name it as scan_body = \"scan-body.stl\"")
		}
		return nil
	}
	if t.has("seating") {
		u := t.number("seating", minSeating, maxSeating)
		out.Seating = &u
	}
	return out
}

// direction reads a unit vector.
func (t table) direction(key string) *geom.Vec {
	if !t.has(key) {
		return nil
	}
	v := t.point(key)
	if n := r3.Norm(v); math.Abs(n-1) > maxUnitGap {
		t.fail(key, "its length is %.3g; expected a direction of length 1, as in mesial = [0.62, -0.78, 0.05], not a point", n)
		return nil
	}
	v = r3.Unit(v)
	return &v
}

// alongFixture says that a mesial direction points along the fixture; it is
// empty for one that can be meant.
func alongFixture(mesial geom.Vec, planned geom.Pose) string {
	axis := r3.Sub(planned.Apex, planned.Entry)
	if a := geom.Angle(mesial, axis); math.Min(a, math.Pi-a) < minMesialAngle {
		return fmt.Sprintf("it points along the fixture (%.0f° from entry to apex); expected the direction along the arch towards the midline", geom.Degrees(a))
	}
	return ""
}

func (c *Case) readStructures(root table) {
	names := map[string]int{}
	for i, t := range root.tables("structure", "a table headed [[structure]], with double brackets", maxStructures, structureField) {
		t.allow("name", "kind", "path", "radius", "margin", "surface", "file", "drawn_uncertainty", "find", "through")
		t.require("name", `name = "left mandibular canal"`)
		t.require("kind", `kind = "nerve"`)
		s := Structure{
			Name: t.text("name", `name = "left mandibular canal"`),
			Kind: choice(t, "kind", allKinds()...),
		}
		if first, taken := names[s.Name]; taken && s.Name != "" {
			t.fail("name", "%s has the same name; give each structure its own", structureField(first))
		}
		names[s.Name] = i
		if structureNamesPerson(s.Name) {
			t.fail("name", `it looks like a person's name; write what it is, as in name = "left mandibular canal"`)
		}
		switch {
		case t.has("find"):
			s.Find, s.Through = t.find(s.Kind)
		case t.has("through"):
			t.fail("through", "it goes with find = \"canal\"; write that, or remove it")
		case t.has("file") && (t.has("path") || t.has("surface")):
			t.fail("file", "it has a file and besides a path or a surface; keep one of them")
		case t.has("file"):
			s.Surface, s.Object = t.sitePath("file", `file = "structures.dcm"`), true
			if t.has("radius") {
				s.Radius = []float64{t.number("radius", 0, maxRadius)}
			}
		case t.has("surface") && (t.has("path") || t.has("radius")):
			t.fail("surface", "it has both a surface and a path or radius; keep one of the two")
		case t.has("surface"):
			s.Surface = t.sitePath("surface", `surface = "sinus.stl"`)
		case !t.has("path"):
			t.fail("path", "it has neither a path nor a surface; write path = [[x, y, z], [x, y, z]] and radius = 1.4, or surface = \"sinus.stl\", or file = \"structures.dcm\", or find = \"canal\"")
		default:
			s.Path, s.Radius = t.tube()
		}
		if t.has("margin") {
			margin := t.number("margin", 0, maxMargin)
			s.Margin = &margin
		}
		if t.has("drawn_uncertainty") {
			s.DrawnUncertainty = t.number("drawn_uncertainty", 0, maxUncertainty)
		}
		c.Structures = append(c.Structures, s)
	}
}

// minThrough is how many points tell a canal.
const minThrough = 2

// find reads what the planning scan is asked for, of a kind.
func (t table) find(kind Kind) (Find, []geom.Vec) {
	f := choice(t, "find", FindSinus, FindNasalFloor, FindCanal)
	for _, key := range []string{"path", "radius", "surface", "file", "drawn_uncertainty"} {
		if t.has(key) {
			t.fail(key, "the planning scan is to say it, as find = %q asks; remove one of the two", string(f))
		}
	}
	if f != "" && kind != "" && kind != f.Kind() {
		t.fail("kind", "it is %q, and find = %q finds one of kind %q", string(kind), string(f), string(f.Kind()))
	}
	if f != FindCanal {
		if t.has("through") {
			t.fail("through", "it goes with find = \"canal\"; remove it")
		}
		return f, nil
	}
	const example = "through = [[-30.1, 20.2, -6.0], [-25.0, 14.1, -5.5]]"
	if !t.require("through", example) {
		return f, nil
	}
	points := t.points("through", example)
	if points != nil && len(points) < minThrough {
		t.fail("through", "it has %d point; a canal takes %d or more that it passes through", len(points), minThrough)
	}
	return f, points
}

// points reads a list of points, one or more.
func (t table) points(key, example string) (out []geom.Vec) {
	list, ok := t.values[key].([]any)
	if !ok || len(list) == 0 {
		t.fail(key, "expected a list of points in mm, as in %s; found %s", example, describeValue(t.values[key]))
		return nil
	}
	if len(list) > maxPath {
		t.fail(key, "it has %d points; at most %d are read: export it with fewer", len(list), maxPath)
		return nil
	}
	for i, v := range list {
		out = append(out, t.d.point(indexed(t.key(key), i), fmt.Sprintf("%s, point %d", t.field(key), i+1), v))
	}
	return out
}

// tube reads path and radius.
func (t table) tube() (path []geom.Vec, radius []float64) {
	if path = t.points("path", "path = [[-30.1, 20.2, -6.0], [-25.0, 14.1, -5.5]]"); path == nil {
		return nil, nil
	}
	if !t.require("radius", "radius = 1.4") {
		return nil, nil
	}
	if _, many := t.values["radius"].([]any); !many {
		r := t.number("radius", 0, maxRadius)
		for range path {
			radius = append(radius, r)
		}
		return path, radius
	}
	radius, ok := t.d.numbers(t.key("radius"), t.field("radius"), t.values["radius"])
	if !ok {
		return nil, nil
	}
	if len(radius) != len(path) {
		t.fail("radius", "it has %d radii for %d points of the path; give one radius, or one for each point", len(radius), len(path))
	}
	for i, r := range radius {
		if r < 0 || r > maxRadius {
			t.d.fail(indexed(t.key("radius"), i), fmt.Sprintf("%s, number %d", t.field("radius"), i+1), "it is %g mm; expected 0 to %d mm", r, maxRadius)
		}
	}
	return path, radius
}

func describeValue(v any) string {
	if list, ok := v.([]any); ok && len(list) == 0 {
		return "an empty list"
	}
	return typeName(v)
}

func (c *Case) readAlignment(root table) {
	c.Alignment.Method = FromScans
	t, ok := root.table("alignment")
	if !ok {
		return
	}
	t.allow("method", "matrix", "file", "landmarks", "refine")
	if t.has("method") {
		c.Alignment.Method = choice(t, "method", FromScans, FromLandmarks, FromMatrix, SameFrame)
	}
	method := c.Alignment.Method
	for _, own := range []struct {
		key    string
		method Method
	}{{"matrix", FromMatrix}, {"file", FromMatrix}, {"landmarks", FromLandmarks}} {
		if t.has(own.key) && method != own.method {
			t.fail(own.key, `the method is %q, which does not use it; write method = %q or remove it`, string(method), string(own.method))
		}
	}
	switch method {
	case FromMatrix:
		switch {
		case t.has("matrix") && t.has("file"):
			t.fail("file", "it has both a matrix and a file; keep one of the two")
		case t.has("file"):
			c.Alignment.File = t.sitePath("file", `file = "registration.dcm"`)
		default:
			t.require("matrix", `matrix = [1,0,0,0, 0,1,0,0, 0,0,1,0, 0,0,0,1], or file = "registration.dcm", a DICOM Spatial Registration object`)
			c.Alignment.PostToPre = t.matrix("matrix")
		}
	case FromLandmarks:
		t.require("landmarks", "landmarks = [{pre = [x,y,z], post = [x,y,z]}, …] with three pairs or more")
		c.Alignment.Landmarks = t.landmarks("landmarks")
	}
	c.Alignment.Refine = t.boolean("refine")
	if t.has("refine") && method != FromMatrix && method != FromLandmarks {
		t.fail("refine", `it goes with method = "matrix" or "landmarks"; remove it`)
	}
}

func (t table) matrix(key string) *geom.Rigid {
	if !t.has(key) {
		return nil
	}
	x, ok := t.d.numbers(t.key(key), t.field(key), t.values[key])
	if !ok {
		return nil
	}
	if len(x) != 16 {
		t.fail(key, "expected 16 numbers, row by row; found %d", len(x))
		return nil
	}
	postToPre, err := geom.FromMatrix([16]float64(x))
	if err != nil {
		hint := "expected the rigid transform from the follow-up to the planning scan, row by row"
		if x[3] == 0 && x[7] == 0 && x[11] == 0 && x[15] == 1 && (x[12] != 0 || x[13] != 0 || x[14] != 0) {
			hint = "it seems to be written column by column; write it row by row"
		}
		t.fail(key, "%v; %s", err, hint)
		return nil
	}
	return &postToPre
}

// minLandmarks is what a rigid transform takes.
const minLandmarks = 3

func (t table) landmarks(key string) []Landmark {
	pair := func(i int) string { return fmt.Sprintf("%s, pair %d", t.field(key), i+1) }
	tables := t.tables(key, "{pre = [x,y,z], post = [x,y,z]}", maxLandmarks, pair)
	if t.has(key) && len(tables) < minLandmarks {
		t.fail(key, "it has %d pairs; a rigid transform takes %d or more, far apart and not in a line", len(tables), minLandmarks)
	}
	var marks []Landmark
	for _, p := range tables {
		p.allow("pre", "post")
		p.require("pre", "pre = "+pointExample)
		p.require("post", "post = "+pointExample)
		marks = append(marks, Landmark{Pre: p.point("pre"), Post: p.point("post")})
	}
	return marks
}
