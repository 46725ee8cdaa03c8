package page

import (
	"errors"
	"fmt"
	"net/http"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/page/practice"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/plan/plantable"
	"plumbline/internal/printable"
	"plumbline/internal/report/wording"
	"plumbline/internal/tooth"
)

// planStation is what the station Plan shows.
type planStation struct {
	frame
	Draft     practice.Draft
	Plan      *casefile.Case // as written; nil before it is confirmed
	Editable  bool
	Why       string // it is not
	Sealed    bool
	Arches    []arch
	Fixtures  []plannedLine
	Structure []structureLine
	Missing   []string
	Unchecked []string // what has a right to be drawn and is not
	Guidances []choice
	Drawable  []kindChoice // what can be drawn now
	Look      bool         // the scan may show what is beyond the fixture by itself
}

type choice struct {
	Value, Words string
	Chosen       bool
}

// plannedLine is a planned fixture in the list.
type plannedLine struct {
	Site  tooth.Number
	Set   bool
	Words string
	Once  bool // set by hand, once
}

type structureLine struct {
	Name, Words string
	Kind        casefile.Kind
	Once        bool // drawn once
	Found       bool // to be looked at
}

// arch is a drawn dental arch, whose teeth are buttons.
type arch struct {
	Name  string
	Teeth []archTooth
}

// archTooth is a tooth of a drawn arch; the style sheet has its place.
type archTooth struct {
	Number  tooth.Number
	Planned bool
}

// arches are both arches, or the one of the jaw that is planned already.
func arches(d practice.Draft) []arch {
	var out []arch
	for _, jaw := range []tooth.Jaw{tooth.Upper, tooth.Lower} {
		if len(d.Fixtures) > 0 && d.Fixtures[0].Site.Jaw() != jaw {
			continue
		}
		a := arch{Name: string(jaw)}
		for _, n := range tooth.All() {
			if n.Jaw() == jaw {
				a.Teeth = append(a.Teeth, archTooth{n, d.Fixture(n) != nil})
			}
		}
		out = append(out, a)
	}
	return out
}

func (p *Page) planView(r *request, c *looked) error {
	v := planStation{frame: p.frame(c, "plan", "Plan"), Draft: c.Draft, Plan: c.Plan, Editable: true, Sealed: c.Sealed()}
	switch {
	case c.Fault != nil:
		v.Editable, v.Why = false, sentence(c.Fault)
	case !c.HasPre:
		v.Editable, v.Why = false, "The planning scan comes first."
	case c.Sealed():
		v.Editable, v.Why = false, "The plan is sealed. A plan that is changed after sealing is shown as changed in every report; if it has to be, change case.toml by hand."
	case !c.Editable():
		v.Editable, v.Why = false, sentence(practice.ErrForeign)
	}
	if !v.Editable && c.Plan != nil {
		v.fromFile(c.Plan)
		return p.view(r, "plan", v)
	}
	v.fromDraft(c.Draft)
	v.Missing = c.Draft.Missing()
	v.Unchecked = unchecked(c.Draft)
	v.Arches = arches(c.Draft)
	if f := placedFixture(c.Draft); f != nil {
		v.Look = f.Site.Jaw() == tooth.Upper
		for _, k := range drawable {
			if k.Kind == casefile.Nerve && f.Site.Jaw() == tooth.Upper || k.Kind == casefile.Sinus && f.Site.Jaw() == tooth.Lower {
				continue
			}
			v.Drawable = append(v.Drawable, k)
		}
	}
	for _, g := range casefile.Guidances {
		v.Guidances = append(v.Guidances, choice{string(g), wording.Guidance(string(g)), g == c.Draft.Guidance})
	}
	return p.view(r, "plan", v)
}

// fromDraft lists what a draft has.
func (v *planStation) fromDraft(d practice.Draft) {
	for _, f := range d.Fixtures {
		v.Fixtures = append(v.Fixtures, plannedLine{f.Site, f.Planned != nil, fixtureWords(f), f.Source == practice.ByHand && !f.Repeated})
	}
	for _, s := range d.Structures {
		v.Structure = append(v.Structure, structureLine{s.Name, structureWords(s), s.Kind, s.Find == "" && !s.Repeated, s.Found != nil})
	}
}

// fromFile lists the plan of a case file that is not changed here.
func (v *planStation) fromFile(c *casefile.Case) {
	for _, f := range c.Fixtures {
		v.Fixtures = append(v.Fixtures, plannedLine{Site: f.Site, Set: true, Words: fmt.Sprintf("%.1f × %.1f mm", f.Diameter, f.Length)})
	}
	for _, s := range c.Structures {
		words := fmt.Sprintf("%d points", len(s.Path))
		if s.Surface != "" {
			words = "a surface"
		}
		v.Structure = append(v.Structure, structureLine{Name: s.Name, Words: words})
	}
}

// fixtureWords says a planned fixture of a draft.
func fixtureWords(f practice.Fixture) string {
	if f.Planned == nil {
		return "not placed yet"
	}
	how := map[practice.Source]string{practice.FromMesh: "from its surface", practice.FromTable: "from the table", practice.ByHand: "set by hand"}[f.Source]
	diameter := "diameter as its surface has it"
	if f.Diameter > 0 {
		diameter = fmt.Sprintf("%.1f mm wide", f.Diameter)
	}
	if f.Source == practice.ByHand {
		how += ", " + handWords(f.Hand)
	}
	return fmt.Sprintf("%s, %.1f mm long, %s", diameter, f.Planned.Length(), how)
}

// structureWords says how a structure of a draft is known.
func structureWords(s practice.Structure) string {
	switch {
	case s.Found != nil:
		return s.Found.Words()
	case s.Find != "":
		return "as the planning scan shows it"
	}
	return fmt.Sprintf("drawn through %d points, radius %.1f mm, %s", len(s.Points), s.Radius, handWords(s.Hand))
}

// handWords says how sure a hand was.
func handWords(h practice.Hand) string {
	if h.Repeated {
		return fmt.Sprintf("sure to %.2f mm, as doing it twice shows", h.Uncertainty)
	}
	return fmt.Sprintf("taken as sure to %.1f mm", h.Uncertainty)
}

// unchecked names the structures that have a right to be drawn for the planned sites and
// are not: the nerve in the lower jaw and the sinus in the upper one, behind the canines.
func unchecked(d practice.Draft) []string {
	has := func(k casefile.Kind) bool {
		return slices.ContainsFunc(d.Structures, func(s practice.Structure) bool { return s.Kind == k })
	}
	var out []string
	for _, f := range d.Fixtures {
		kind, what := casefile.Nerve, "the nerve canal"
		if f.Site.Jaw() == tooth.Upper {
			kind, what = casefile.Sinus, "the sinus floor"
		}
		if !f.Site.Anterior() && !has(kind) && !slices.Contains(out, what) {
			out = append(out, what)
		}
	}
	return out
}

// seenField is the name of the field with which a form says beside which state of the plan
// it was shown.
const seenField = "seen"

// edited changes the draft of a case that may be changed, and leads back to the plan.
func (p *Page) edited(r *request, seen string, change func(c *looked, d *practice.Draft) error) error {
	return p.editedTo(r, "plan", seen, change)
}

// editedTo is edited that leads to another view. seen is the mark of the plan that was shown
// beside the form.
func (p *Page) editedTo(r *request, view, seen string, change func(c *looked, d *practice.Draft) error) error {
	c, err := p.look(r.PathValue("case"))
	if err != nil {
		return err
	}
	if c.Sealed() {
		return bad("the plan is sealed and is left as it is")
	}
	if seen != c.Mark {
		return practice.ErrChanged
	}
	d := c.Draft
	d.Fixtures, d.Structures = slices.Clone(d.Fixtures), slices.Clone(d.Structures)
	if err := change(c, &d); err != nil {
		return err
	}
	if err := c.Save(d); err != nil {
		return err
	}
	return r.to(caseAddress(c.Name) + "/" + view)
}

// changedView shows a plan that was changed meanwhile, and offers to take the step that was
// based on another one all the same.
type changedView struct {
	planStation
	Message, Action string
	Mine            [][2]string // fields of the form; none where it had files
}

func (p *Page) changed(r *request, was error) error {
	c, err := p.look(r.PathValue("case"))
	if err != nil {
		return err
	}
	v := changedView{planStation: planStation{frame: p.frame(c, "plan", "The plan was changed"), Draft: c.Draft}, Message: sentence(was), Action: r.URL.RequestURI()}
	v.fromDraft(c.Draft)
	for name, values := range r.PostForm {
		for _, value := range values {
			if name != seenField {
				v.Mine = append(v.Mine, [2]string{name, value})
			}
		}
	}
	slices.SortFunc(v.Mine, func(a, b [2]string) int { return strings.Compare(a[0], b[0]) })
	p.show(r.ResponseWriter, http.StatusConflict, "changed", v)
	return nil
}

// about takes in the day of surgery and how it is guided.
func (p *Page) about(r *request) error {
	if err := form(r); err != nil {
		return err
	}
	return p.edited(r, r.PostForm.Get(seenField), func(_ *looked, d *practice.Draft) error {
		placed, guidance := r.PostForm.Get("placed"), casefile.Guidance(r.PostForm.Get("guidance"))
		if _, err := time.Parse(time.DateOnly, placed); err != nil {
			return bad("the day of surgery: write a date as in 2026-03-14")
		}
		if guidance != "" && !slices.Contains(casefile.Guidances, guidance) {
			return bad("choose how the drills are guided from the list")
		}
		d.Placed, d.Guidance = placed, guidance
		return nil
	})
}

func siteFrom(text string) (tooth.Number, error) {
	n, err := tooth.Parse(text, tooth.ISO3950)
	if err != nil {
		return 0, bad("%v", err)
	}
	return n, nil
}

// addTooth notes a tooth that is to be replaced.
func (p *Page) addTooth(r *request) error {
	if err := form(r); err != nil {
		return err
	}
	n, err := siteFrom(r.PostForm.Get("site"))
	if err != nil {
		return err
	}
	return p.edited(r, r.PostForm.Get(seenField), func(_ *looked, d *practice.Draft) error {
		if d.Fixture(n) != nil {
			return nil
		}
		for _, f := range d.Fixtures {
			if f.Site.Jaw() != n.Jaw() {
				return bad("the jaws move against each other: make one case for each jaw")
			}
		}
		d.Fixtures = append(d.Fixtures, practice.Fixture{Site: n})
		return nil
	})
}

// remove takes a tooth or a structure off the draft.
func (p *Page) remove(r *request) error {
	if err := form(r); err != nil {
		return err
	}
	return p.edited(r, r.PostForm.Get(seenField), func(_ *looked, d *practice.Draft) error {
		site, name := r.PostForm.Get("site"), r.PostForm.Get("structure")
		d.Fixtures = slices.DeleteFunc(d.Fixtures, func(f practice.Fixture) bool { return f.Site.String() == site })
		d.Structures = slices.DeleteFunc(d.Structures, func(s practice.Structure) bool { return name != "" && s.Name == name })
		return nil
	})
}

// mesh takes in the surface of a planned fixture.
func (p *Page) mesh(r *request) error {
	got, err := p.receive(r, practice.MaxMesh)
	if err != nil {
		return err
	}
	defer got.Discard()
	n, err := siteFrom(got.Fields["site"])
	if err != nil {
		return err
	}
	return p.edited(r, got.Fields[seenField], func(c *looked, d *practice.Draft) error {
		f := d.Fixture(n)
		if f == nil {
			return bad("choose the tooth first")
		}
		name, err := got.Mesh(c.Case, n.String())
		if err != nil {
			return err
		}
		trial := practice.Draft{Placed: "2000-01-01", Clinician: d.Clinician, Fixtures: []practice.Fixture{{Site: n, Mesh: name}}}
		read, err := trial.Read(c.Case)
		if err != nil {
			return bad("the surface cannot be taken as the planned fixture: %v", faultOf(err))
		}
		pose := read.Fixtures[0].Planned
		*f = practice.Fixture{Site: n, Mesh: name, Planned: &pose, Source: practice.FromMesh}
		return nil
	})
}

// faultOf is what is wrong, without the case file that it would be in.
func faultOf(err error) error {
	var fault *casefile.Error
	if errors.As(err, &fault) {
		return errors.New(fault.Message)
	}
	return err
}

// table takes in a table of planned points, pasted or as a file.
func (p *Page) table(r *request) error {
	got, err := p.receive(r, plantable.MaxFile)
	if err != nil {
		return err
	}
	defer got.Discard()
	text := []byte(got.Fields["text"])
	if strings.TrimSpace(string(text)) == "" {
		if text, err = got.Text(plantable.MaxFile); err != nil {
			return err
		}
	}
	return p.edited(r, got.Fields[seenField], func(c *looked, d *practice.Draft) error {
		s, err := p.scanOf(c.Case, practice.Planning)
		if err != nil {
			return err
		}
		t, err := plantable.Read("the table", text)
		if err != nil {
			return err
		}
		return takeTable(t, casefile.Frame(got.Fields["frame"]), s, d)
	})
}

// takeTable puts the fixtures of a table into a draft. The frame is the table's own, the
// one that was chosen, or the only one that puts the points inside the scan.
func takeTable(t *plantable.Table, frame casefile.Frame, s *openScan, d *practice.Draft) error {
	grid := s.scan.Grid
	fits := func(frame casefile.Frame) bool {
		return !slices.ContainsFunc(t.Fixtures, func(f plantable.Fixture) bool {
			return !grid.Contains(frame.ToLPS(f.Entry, grid)) || !grid.Contains(frame.ToLPS(f.Apex, grid))
		})
	}
	if frame == "" {
		frame = casefile.Frame(t.Axes)
	}
	if frame == "" {
		var fit []casefile.Frame
		for _, x := range casefile.Frames {
			if fits(x) {
				fit = append(fit, x)
			}
		}
		switch len(fit) {
		case 0:
			return bad("the points lie outside the planning scan, whichever way its axes are meant; check that the table belongs to this scan and is in mm")
		case 1:
			frame = fit[0]
		default:
			return bad("the table does not say which way its axes point, and the points lie inside the scan in %d ways; choose which from the list beside the table", len(fit))
		}
	}
	if !slices.Contains(casefile.Frames, frame) || !fits(frame) {
		return bad("with its axes meant so, the points lie outside the planning scan; choose another way from the list beside the table")
	}
	system := t.Numbering
	if system == "" {
		system = tooth.ISO3950
	}
	for _, f := range t.Fixtures {
		label := plantable.Plain(f.Label)
		if label == "" && len(t.Fixtures) == 1 && len(d.Fixtures) == 1 {
			label = d.Fixtures[0].Site.Label(system)
		}
		n, err := tooth.Parse(label, system)
		if err != nil {
			return bad("line %d of the table: %v", f.Line, err)
		}
		pose := geom.Pose{Entry: fine(frame.ToLPS(f.Entry, grid)), Apex: fine(frame.ToLPS(f.Apex, grid))}
		out := practice.Fixture{Site: n, Diameter: f.Diameter, Length: f.Length, Planned: &pose, Source: practice.FromTable}
		if old := d.Fixture(n); old != nil {
			if out.Diameter == 0 {
				out.Diameter = old.Diameter
			}
			*old = out
			continue
		}
		d.Fixtures = append(d.Fixtures, out)
	}
	return nil
}

// fine rounds a point that was turned into another frame to a ten-thousandth of a
// millimetre, so that no figure ends in 999999.
func fine(p geom.Vec) geom.Vec {
	r := func(v float64) float64 {
		out, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'f', 4, 64), 64)
		return out + 0
	}
	return geom.Vec{X: r(p.X), Y: r(p.Y), Z: r(p.Z)}
}

// placeStation is where a fixture is set by hand.
type placeStation struct {
	frame
	Number tooth.Number
	Again  bool // to see how sure the hand is
	Data   placeData
}

// placeData is what the script that sets a fixture begins with.
type placeData struct {
	Scan             *plain
	Site             site
	Entry, Apex      *[3]float64
	Diameter, Length float64
	Structures       []drawn
}

// drawn is a structure as the scripts draw it: a line with a radius, or a surface.
type drawn struct {
	Name      string
	Points    [][3]float64
	Radius    float64
	Triangles [][3]int32 `json:",omitempty"` // of points
}

func drawnOf(d practice.Draft) []drawn {
	out := []drawn{}
	for _, s := range d.Structures {
		if line := s.Line(); len(line) > 0 {
			out = append(out, drawn{Name: s.Name, Radius: s.Radius, Points: triples(line)})
		}
	}
	return out
}

func triples(points []geom.Vec) [][3]float64 {
	out := make([][3]float64, len(points))
	for i, p := range points {
		out[i] = triple(p)
	}
	return out
}

// Sizes that a fixture has before anybody says them, mm.
const (
	usualDiameter = 4.1
	usualLength   = 10.0
)

func (p *Page) placeView(r *request) error {
	c, f, s, err := p.fixtureOf(r)
	if err != nil {
		return err
	}
	v := placeStation{frame: p.frame(c, "plan", "Set by hand"), Number: f.Site}
	v.Data = placeData{Scan: p.plain(c, s), Site: siteOf(f.Site), Diameter: f.Diameter, Length: f.Length, Structures: drawnOf(c.Draft)}
	if v.Data.Diameter == 0 {
		v.Data.Diameter = usualDiameter
	}
	if v.Data.Length == 0 {
		v.Data.Length = usualLength
	}
	v.Again = again(r) && f.Planned != nil
	if f.Planned != nil && !v.Again {
		entry, apex := triple(f.Planned.Entry), triple(f.Planned.Apex)
		v.Data.Entry, v.Data.Apex = &entry, &apex
		v.Data.Length = f.Planned.Length()
	}
	return p.view(r, "place", v)
}

// again reports whether something that is there is to be done a second time.
func again(r *request) bool { return r.URL.Query().Has("again") }

// fixtureOf is the fixture of the draft that an address names.
func (p *Page) fixtureOf(r *request) (*looked, *practice.Fixture, *openScan, error) {
	c, err := p.look(r.PathValue("case"))
	if err != nil {
		return nil, nil, nil, err
	}
	n, err := siteFrom(r.PathValue("site"))
	if err != nil {
		return nil, nil, nil, err
	}
	f := c.Draft.Fixture(n)
	if f == nil {
		return nil, nil, nil, bad("choose the tooth first")
	}
	s, err := p.scanOf(c.Case, practice.Planning)
	return c, f, s, err
}

// place takes in a fixture that was set by hand.
func (p *Page) place(r *request) error {
	if err := form(r); err != nil {
		return err
	}
	_, f, s, err := p.fixtureOf(r)
	if err != nil {
		return err
	}
	entry, err := vector(r.PostForm.Get("entry"))
	if err != nil {
		return bad("click where the platform goes first")
	}
	apex, err := vector(r.PostForm.Get("apex"))
	if err != nil {
		return bad("click where the platform goes first")
	}
	diameter, err := number(r.PostForm, "diameter", "the diameter", "millimetres")
	if err != nil {
		return err
	}
	length, err := number(r.PostForm, "length", "the length", "millimetres")
	if err != nil {
		return err
	}
	axis := r3.Sub(apex, entry)
	if r3.Norm(axis) == 0 {
		return bad("platform and apex are the same point")
	}
	pose := geom.Pose{Entry: practice.Rounded(entry)}
	pose.Apex = practice.Rounded(r3.Add(pose.Entry, r3.Scale(length, r3.Unit(axis))))
	for _, end := range []geom.Vec{pose.Entry, pose.Apex} {
		if !s.scan.Contains(end) {
			return bad("the fixture reaches out of the planning scan")
		}
	}
	n := f.Site
	return p.edited(r, r.PostForm.Get(seenField), func(_ *looked, d *practice.Draft) error {
		f := d.Fixture(n)
		if f == nil {
			return bad("choose the tooth first")
		}
		if again(r) && f.Planned != nil && f.Source == practice.ByHand {
			f.Hand = practice.SetTwice(*f.Planned, pose)
			return nil
		}
		*f = practice.Fixture{Site: n, Diameter: diameter, Length: length, Planned: &pose, Source: practice.ByHand, Hand: practice.SetOnce()}
		return nil
	})
}

// number reads a positive number of a form, with a decimal point or comma.
func number(from map[string][]string, key, what, of string) (float64, error) {
	text := ""
	if v := from[key]; len(v) > 0 {
		text = strings.Replace(strings.TrimSpace(v[0]), ",", ".", 1)
	}
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || !(x > 0 && x < 1000) {
		return 0, bad("%s: write a number of %s, as in 4.1", what, of)
	}
	return x, nil
}

// drawStation is where a structure is drawn.
type drawStation struct {
	frame
	Kind  casefile.Kind
	Name  string
	Again bool // to see how sure the hand is
	Data  drawData
}

type kindChoice struct {
	Kind    casefile.Kind
	Name    string
	Radius  float64
	RadiusU float64 // standard uncertainty
}

type drawData struct {
	Scan     *plain
	Site     site
	Entry    [3]float64
	Apex     [3]float64
	Radius   float64
	Points   [][3]float64
	Diameter float64
}

// drawable are the structures that can be drawn as a line with a radius, with the radius
// that they usually have, mm: the canal's is 1.0 to 1.7 in anatomical studies, a root's at
// its middle third 1.5 to 2.5 (common practice, no source for one figure); each as likely as
// another (JCGM 100:2008, 4.3.7). A floor is drawn itself.
var drawable = []kindChoice{{casefile.Nerve, "nerve canal", 1.4, 0.20}, {casefile.Sinus, "sinus floor", 0.1, 0}, {casefile.Root, "root of a neighbour", 2.0, 0.29}}

func (p *Page) drawView(r *request, c *looked) error {
	s, err := p.scanOf(c.Case, practice.Planning)
	if err != nil {
		return err
	}
	f := placedFixture(c.Draft)
	if f == nil {
		return bad("place the fixture first: the cuts are laid around it")
	}
	kind := casefile.Kind(r.URL.Query().Get("kind"))
	k := slices.IndexFunc(drawable, func(k kindChoice) bool { return k.Kind == kind })
	if k < 0 {
		return bad("choose what to draw from the list")
	}
	v := drawStation{frame: p.frame(c, "plan", "Draw the "+drawable[k].Name), Kind: kind, Name: string(f.Site.Side()) + " " + drawable[k].Name}
	if kind == casefile.Root {
		v.Name = "root beside " + f.Site.String()
	}
	v.Data = drawData{Scan: p.plain(c, s), Site: siteOf(f.Site), Entry: triple(f.Planned.Entry), Apex: triple(f.Planned.Apex), Radius: drawable[k].Radius, Points: [][3]float64{}, Diameter: f.Diameter}
	for _, st := range c.Draft.Structures {
		if st.Kind == kind && kind != casefile.Root {
			v.Name, v.Again = st.Name, again(r)
			if st.Radius > 0 {
				v.Data.Radius = st.Radius
			}
			if v.Again {
				continue
			}
			for _, q := range st.Points {
				v.Data.Points = append(v.Data.Points, triple(q))
			}
		}
	}
	return p.view(r, "draw", v)
}

// placedFixture is the first fixture of a draft that has its place, nil if none has.
func placedFixture(d practice.Draft) *practice.Fixture {
	for i := range d.Fixtures {
		if d.Fixtures[i].Planned != nil {
			return &d.Fixtures[i]
		}
	}
	return nil
}

// Bounds on the points of a drawn line.
const (
	fewestPoints = 3
	mostPoints   = 20
)

// draw takes in a structure that was drawn.
func (p *Page) draw(r *request) error {
	if err := form(r); err != nil {
		return err
	}
	find := casefile.Find(r.PostForm.Get("find"))
	out := practice.Structure{Name: strings.TrimSpace(r.PostForm.Get("name")), Kind: casefile.Kind(r.PostForm.Get("kind")), Hand: practice.DrawnOnce()}
	if out.Name == "" || len(out.Name) > 100 || printable.Plain(out.Name) != out.Name {
		return bad("give the structure a name, as in left nerve canal")
	}
	kind := slices.IndexFunc(drawable, func(k kindChoice) bool { return k.Kind == out.Kind })
	if kind < 0 {
		return bad("choose what to draw from the list")
	}
	var err error
	if out.Radius, err = number(r.PostForm, "radius", "the radius", "millimetres"); err != nil {
		return err
	}
	for line := range strings.Lines(r.PostForm.Get("points")) {
		if strings.TrimSpace(line) == "" {
			continue
		}
		q, err := vector(line)
		if err != nil {
			return bad("a point cannot be read: %v", err)
		}
		out.Points = append(out.Points, practice.Rounded(q))
	}
	if find == casefile.FindCanal && out.Kind == casefile.Nerve {
		return p.follow(r, out)
	}
	if len(out.Points) < fewestPoints || len(out.Points) > mostPoints {
		return bad("%d points are drawn; draw %d to %d", len(out.Points), fewestPoints, mostPoints)
	}
	return p.edited(r, r.PostForm.Get(seenField), func(_ *looked, d *practice.Draft) error {
		was := slices.IndexFunc(d.Structures, func(s practice.Structure) bool { return s.Name == out.Name && s.Kind == out.Kind })
		if again(r) && was >= 0 && d.Structures[was].Find == "" {
			hand, err := practice.DrawnTwice(d.Structures[was].Points, out.Points, drawable[kind].RadiusU)
			d.Structures[was].Hand = hand
			return err
		}
		put(d, out)
		return nil
	})
}

// put adds a structure to a draft, in place of one that has its name.
func put(d *practice.Draft, s practice.Structure) {
	d.Structures = append(slices.DeleteFunc(d.Structures, func(old practice.Structure) bool { return old.Name == s.Name }), s)
}

// confirm writes the draft as the case file.
func (p *Page) confirm(r *request, c *looked) error {
	if c.Sealed() {
		return bad("the plan is sealed and is left as it is")
	}
	if _, err := c.Confirm(); err != nil {
		var fault *casefile.Error
		if errors.As(err, &fault) {
			return bad("%s: %s", fault.Field, fault.Message)
		}
		return err
	}
	return r.to(caseAddress(c.Name) + "/seal")
}

// pdf answers with the report as a PDF to keep.
func (p *Page) pdf(r *request, c *looked) error {
	if c.Result == nil {
		return errNotHere
	}
	data, err := p.report(c).PDF(paper)
	if err != nil {
		return err
	}
	h := r.ResponseWriter.Header()
	h.Set("Content-Type", "application/pdf")
	h.Set("Content-Disposition", `attachment; filename="`+filepath.Base(strings.TrimSuffix(c.ResultPath(), ".json"))+`.pdf"`)
	_, err = r.ResponseWriter.Write(data)
	if err != nil {
		panic(http.ErrAbortHandler)
	}
	return nil
}
