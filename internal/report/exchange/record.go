package exchange

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"

	"plumbline/internal/dicom/code"
	"plumbline/internal/dicom/element"
	"plumbline/internal/dicom/filing"
	sr "plumbline/internal/dicom/structurereport"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/tooth"
)

// comprehensive3D is the SOP class of Comprehensive 3D SR Storage (PS3.4 B.5).
const comprehensive3D = "1.2.840.10008.5.1.4.1.1.88.34"

// Concepts of PS3.16, by the templates that use them.
var (
	// TID 1500, 1501
	report        = code.Code{Value: "126000", Scheme: code.DCM, Meaning: "Imaging Measurement Report"}
	procedure     = code.Code{Value: "121058", Scheme: code.DCM, Meaning: "Procedure reported"}
	imaging       = code.Code{Value: "363679005", Scheme: code.SCT, Meaning: "Imaging procedure"}
	measurements  = code.Code{Value: "126010", Scheme: code.DCM, Meaning: "Imaging Measurements"}
	group         = code.Code{Value: "125007", Scheme: code.DCM, Meaning: "Measurement Group"}
	trackingName  = code.Code{Value: "112039", Scheme: code.DCM, Meaning: "Tracking Identifier"}
	trackingUID   = code.Code{Value: "112040", Scheme: code.DCM, Meaning: "Tracking Unique Identifier"}
	finding       = code.Code{Value: "121071", Scheme: code.DCM, Meaning: "Finding"}
	implant       = code.Code{Value: "40388003", Scheme: code.SCT, Meaning: "Implant"}
	findingSite   = code.Code{Value: "363698007", Scheme: code.SCT, Meaning: "Finding Site"}
	method        = code.Code{Value: "370129005", Scheme: code.SCT, Meaning: "Measurement Method"}
	comment       = code.Code{Value: "121106", Scheme: code.DCM, Meaning: "Comment"}
	distance      = code.Code{Value: "121206", Scheme: code.DCM, Meaning: "Distance"}
	angle         = code.Code{Value: "110859", Scheme: code.DCM, Meaning: "Angle"}
	depth         = code.Code{Value: "131197000", Scheme: code.SCT, Meaning: "Depth"}
	length        = code.Code{Value: "410668003", Scheme: code.SCT, Meaning: "Length"}
	diameter      = code.Code{Value: "81827009", Scheme: code.SCT, Meaning: "Diameter"}
	upperRange    = code.Code{Value: "371886008", Scheme: code.SCT, Meaning: "+, range of upper measurement uncertainty"} // TID 310, CID 225
	lowerRange    = code.Code{Value: "371885007", Scheme: code.SCT, Meaning: "-, range of lower measurement uncertainty"}
	language      = code.Code{Value: "121049", Scheme: code.DCM, Meaning: "Language of Content Item and Descendants"} // TID 1204
	english       = code.Code{Value: "en", Scheme: code.RFC5646, Meaning: "English"}
	observerType  = code.Code{Value: "121005", Scheme: code.DCM, Meaning: "Observer Type"} // TID 1002, 1004
	device        = code.Code{Value: "121007", Scheme: code.DCM, Meaning: "Device"}
	deviceUID     = code.Code{Value: "121012", Scheme: code.DCM, Meaning: "Device Observer UID"}
	deviceName    = code.Code{Value: "121013", Scheme: code.DCM, Meaning: "Device Observer Name"}
	deviceMaker   = code.Code{Value: "121014", Scheme: code.DCM, Meaning: "Device Observer Manufacturer"}
	deviceModel   = code.Code{Value: "121015", Scheme: code.DCM, Meaning: "Device Observer Model Name"}
	deviceVersion = code.Code{Value: "121016", Scheme: code.DCM, Meaning: "Device Observer Serial Number"}
)

// Concepts of our own: what no standard has a code for.
var (
	figureName = code.Own("figure", "Figure")
	doubt      = code.Own("doubt", "Doubt about the figures")
	notice     = code.Own("notice", "Notice")
	verdict    = code.Own("verdict", "What counts most")
)

// kinds are the sites of what is to be spared, SNOMED CT; a kind that is not here has our own
// code. A mandibular canal's nerve is a branch of the trigeminal one.
var kinds = map[casefile.Kind]code.Code{
	casefile.Nerve:       {Value: "27612005", Scheme: code.SCT, Meaning: "Trigeminal nerve"},
	casefile.Sinus:       {Value: "15924003", Scheme: code.SCT, Meaning: "Maxillary sinus"},
	casefile.FixtureBody: implant,
}

// StructuredReport is a Comprehensive 3D SR object (PS3.3 A.35.13) by the template of
// measurement reports (TID 1500 of PS3.16): a measurement group a fixture, with all its
// figures, their 95 % intervals (TID 310: the parts above and below the value), planned
// and achieved entry and apex, and what speaks against the figures. Which figure a
// distance or an angle is, its concept modifier says by the name of the stored form.
//
// Errors: a date or a site that is none; those of filing.Filing.Check.
func StructuredReport(c *measurement.Case, f filing.Filing) ([]byte, error) {
	if err := checkDay(c); err != nil {
		return nil, err
	}
	root := sr.Item{Type: sr.Container, Name: report, Template: "1500"}
	root.Add(sr.HasModifier, sr.Item{Type: sr.Coded, Name: language, Code: english})
	for _, it := range observer(c.Program.Version) {
		root.Add(sr.HasContext, it)
	}
	root.Add(sr.HasModifier, sr.Item{Type: sr.Coded, Name: procedure, Code: imaging})
	all := sr.Item{Type: sr.Container, Name: measurements}
	for i := range c.Fixtures {
		g, err := fixtureGroup(c, &c.Fixtures[i])
		if err != nil {
			return nil, err
		}
		all.Add(sr.Contains, g)
	}
	root.Add(sr.Contains, all)

	content, err := json.Marshal(c)
	if err != nil {
		return nil, err
	}
	d, err := f.Dataset(filing.Object{Class: comprehensive3D, Modality: "SR", Date: c.Placed, Version: c.Program.Version, Content: string(content)})
	if err != nil {
		return nil, err
	}
	d.Set(tag.ContentTime, filing.Midnight)
	d.Set(tag.CompletionFlag, "COMPLETE")
	d.Set(tag.VerificationFlag, "UNVERIFIED")
	d.Set(tag.ReferencedPerformedProcedureStepSequence, []element.Dataset{})
	d.Set(tag.PerformedProcedureCodeSequence, []element.Dataset{})
	d.Set(tag.CodingSchemeIdentificationSequence, code.Scheme())
	root.Into(&d)
	return element.Encode(uid.ExplicitVRLittleEndian, d)
}

// observer is the program as the one who measured (TID 1002, 1004).
func observer(version string) []sr.Item {
	return []sr.Item{
		{Type: sr.Coded, Name: observerType, Code: device},
		{Type: sr.UIDRef, Name: deviceUID, Text: element.UID("device", version)},
		{Type: sr.Text, Name: deviceName, Text: filing.Maker},
		{Type: sr.Text, Name: deviceMaker, Text: filing.Maker},
		{Type: sr.Text, Name: deviceModel, Text: filing.Maker},
		{Type: sr.Text, Name: deviceVersion, Text: version},
	}
}

// fixtureGroup is the measurement group of a fixture (TID 1501).
func fixtureGroup(c *measurement.Case, f *measurement.Fixture) (sr.Item, error) {
	site, err := tooth.Parse(f.Site, tooth.ISO3950)
	if err != nil {
		return sr.Item{}, fmt.Errorf("site: %w", err)
	}
	g := sr.Item{Type: sr.Container, Name: group, Template: "1501"}
	g.Add(sr.HasContext, sr.Item{Type: sr.Text, Name: trackingName, Text: c.Case + ", fixture at " + f.Site})
	g.Add(sr.HasContext, sr.Item{Type: sr.UIDRef, Name: trackingUID, Text: element.UID("fixture", c.Case, c.Inputs.PreSHA256, f.Site)})
	g.Add(sr.Contains, sr.Item{Type: sr.Coded, Name: finding, Code: implant})
	if m, ok := methods[f.Evidence]; ok {
		g.Add(sr.HasModifier, sr.Item{Type: sr.Coded, Name: method, Code: m})
	}
	g.Add(sr.HasModifier, sr.Item{Type: sr.Coded, Name: findingSite, Code: code.Tooth(site)})
	if c.Inputs.PreFrame != "" {
		for _, p := range points(f) {
			p.Frame = c.Inputs.PreFrame
			g.Add(sr.Contains, p)
		}
	}
	for _, n := range numbers(f) {
		g.Add(sr.Contains, n)
	}
	for _, e := range evaluations(c, f) {
		g.Add(sr.Contains, e)
	}
	return g, nil
}

// methods say what a placed fixture's pose is from.
var methods = map[string]code.Code{
	"scan":    code.Own("scan", "Follow-up scan against the plan"),
	"surface": code.Own("surface", "Surface scan against the plan"),
}

// points are planned and achieved entry and apex.
func points(f *measurement.Fixture) []sr.Item {
	var out []sr.Item
	add := func(value, meaning string, p geom.Vec) {
		out = append(out, sr.Item{Type: sr.Point3D, Name: code.Own(value, meaning), Point: p})
	}
	planned := pose(f.Planned)
	add("planned_entry", "Planned entry", planned.Entry)
	add("planned_apex", "Planned apex", planned.Apex)
	if f.Achieved != nil {
		achieved := pose(*f.Achieved)
		add("achieved_entry", "Achieved entry", achieved.Entry)
		add("achieved_apex", "Achieved apex", achieved.Apex)
	}
	return out
}

// number is a figure: what kind of quantity it is, and which one.
func number(concept, which code.Code, value float64, unit code.Code) sr.Item {
	n := sr.Item{Type: sr.Numeric, Name: concept, Number: value, Unit: unit}
	n.Add(sr.HasModifier, sr.Item{Type: sr.Coded, Name: figureName, Code: which})
	return n
}

// within adds a figure's 95 % interval. A deviation is a length, whose interval may lie
// above it all where the fixture is nearly on the plan: the lower part is less than zero
// then, and value less lower part is the interval's end all the same.
func within(n *sr.Item, low, high float64) {
	n.Add(sr.HasProperties, sr.Item{Type: sr.Numeric, Name: upperRange, Number: high - n.Number, Unit: n.Unit})
	n.Add(sr.HasProperties, sr.Item{Type: sr.Numeric, Name: lowerRange, Number: n.Number - low, Unit: n.Unit})
}

// numbers are all figures of a fixture.
func numbers(f *measurement.Fixture) []sr.Item {
	var out []sr.Item
	size := func(which string, p measurement.Placement) {
		out = append(out,
			number(length, code.Own(which+"_length", which+" length"), p.Length, code.Millimetre),
			number(diameter, code.Own(which+"_dia", which+" diameter"), p.Diameter, code.Millimetre))
	}
	size("planned", f.Planned)
	if f.Achieved != nil {
		size("achieved", *f.Achieved)
	}
	if f.Deviation != nil {
		for fig, value := range f.Deviation.All() {
			concept, unit := quantity(fig)
			n := number(concept, code.Own(fig.String(), fig.Heading()), value, unit)
			if f.Uncertainty != nil {
				if in := f.Uncertainty.Intervals[fig]; in != nil {
					within(&n, in.Low, in.High)
				}
			}
			out = append(out, n)
		}
	}
	if f.Uncertainty != nil {
		for fig, value := range f.Uncertainty.Floor.All() {
			concept, unit := quantity(fig)
			out = append(out, number(concept, code.Own("floor_"+fig.String(), "measurement floor, "+fig.Spec().Title), value, unit))
		}
	}
	for _, c := range f.Clearance {
		out = append(out, clearances(c)...)
	}
	return out
}

// quantity is what kind of quantity a figure is, and its unit.
func quantity(f measurement.Figure) (concept, unit code.Code) {
	switch {
	case f.Unit() == measurement.Degrees:
		return angle, code.Degree
	case f.Spec().Sign == measurement.Along:
		return depth, code.Millimetre
	}
	return distance, code.Millimetre
}

// clearances are the distances to one structure, whose name is a comment.
func clearances(c measurement.Clearance) []sr.Item {
	site, ok := kinds[casefile.Kind(c.Kind)]
	if !ok {
		site = code.Own(c.Kind, strings.TrimPrefix(casefile.Kind(c.Kind).Spec().Called, "a "))
	}
	var out []sr.Item
	add := func(value, meaning string, mm *float64) *sr.Item {
		if mm == nil {
			return nil
		}
		n := number(distance, code.Own(value, meaning), *mm, code.Millimetre)
		n.Add(sr.HasModifier, sr.Item{Type: sr.Coded, Name: findingSite, Code: site})
		out = append(out, n)
		return &out[len(out)-1]
	}
	add("clear_planned", "Planned clearance", &c.Planned)
	if n := add("clear_achieved", "Achieved clearance", c.Achieved); n != nil && c.Low != nil && c.High != nil {
		within(n, *c.Low, *c.High)
	}
	add("clear_margin", "Margin asked for", c.Margin)
	for i := range out {
		out[i].Add(sr.HasProperties, sr.Item{Type: sr.Text, Name: comment, Text: c.Structure})
	}
	return out
}

// evaluations are what counts most of a fixture, and every doubt and notice about it, its
// alignment and its case.
func evaluations(c *measurement.Case, f *measurement.Fixture) []sr.Item {
	var out []sr.Item
	if v := f.Verdict; v != nil {
		out = append(out, evaluation(verdict, string(v.Code), v.Message))
	}
	for _, level := range []measurement.Level{measurement.Doubt, measurement.Notice} {
		for _, flag := range slices.Concat(f.Flags, c.Alignment.Flags, c.Flags) {
			if flag.Level != level {
				continue
			}
			name := notice
			if level == measurement.Doubt {
				name = doubt
			}
			out = append(out, evaluation(name, flag.Code, flag.Message))
		}
	}
	return out
}

// evaluation is a coded remark with its reason.
func evaluation(name code.Code, value, reason string) sr.Item {
	it := sr.Item{Type: sr.Coded, Name: name, Code: code.Own(value, strings.ReplaceAll(value, "-", " "))}
	if reason != "" {
		it.Add(sr.HasProperties, sr.Item{Type: sr.Text, Name: comment, Text: reason})
	}
	return it
}
