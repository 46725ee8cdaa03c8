// Package exchange writes a measurement as objects that other programs of a practice
// read: a structured report with every figure, a registration that says where the placed
// fixtures lie, and a fixture's nominal surface.
//
// Conventions: points are patient LPS of the planning scan, mm, in that scan's Frame of
// Reference UID. Each placed fixture has a frame of its own: origin at the platform
// centre, +z coronal. UIDs follow from the measurement, so that the objects of one
// measurement fit each other and writing them again gives the same bytes. Nobody is
// named unless asked. Start with StructuredReport.
package exchange

import (
	"errors"
	"fmt"
	"math"
	"os"
	"regexp"
	"slices"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/dicom/element"
	"plumbline/internal/dicom/encapsulated"
	"plumbline/internal/dicom/filing"
	"plumbline/internal/dicom/spatialreg"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/trimesh"
)

// errFrame says why points cannot be written.
var errFrame = errors.New("the measurement does not say which frame of reference its points are in: the planning scan states none, or an earlier version measured it; measure the case again, or take the figures from the structured report")

// day is a date as objects take it; they must have one.
var day = regexp.MustCompile(`^\d{4}-\d{2}-\d{2}$`)

func checkDay(c *measurement.Case) error {
	if !day.MatchString(c.Placed) {
		return fmt.Errorf("the measurement's date of surgery is %q, expected one as in 2026-03-14", c.Placed)
	}
	return nil
}

// fixtureFrame is the Frame of Reference UID of a placed fixture.
func fixtureFrame(c *measurement.Case, f *measurement.Fixture) string {
	return element.UID("placed fixture", c.Inputs.PreFrame, c.Inputs.PlanSHA256, c.Inputs.PostSHA256, f.Site, fmt.Sprint(*f.Achieved))
}

func pose(p measurement.Placement) geom.Pose {
	v := func(x [3]float64) geom.Vec { return geom.Vec{X: x[0], Y: x[1], Z: x[2]} }
	return geom.Pose{Entry: v(p.Entry), Apex: v(p.Apex)}
}

// place carries a fixture's own frame into the planning scan's.
func place(p geom.Pose) (geom.Rigid, error) {
	if l := p.Length(); !(l > 0) || math.IsInf(l, 0) {
		return geom.Rigid{}, errors.New("its entry and apex are no fixture")
	}
	z := r3.Scale(-1, p.Axis())
	x, y := geom.Perpendicular(z)
	return geom.Rigid{R: [3][3]float64{{x.X, y.X, z.X}, {x.Y, y.Y, z.Y}, {x.Z, y.Z, z.Z}}, T: p.Entry}, nil
}

// Registration is a Spatial Registration object (PS3.3 A.39): an item for each placed
// fixture carries its frame into the planning scan's, as PS3.17 AAA.4 does for planned
// ones.
//
// Errors: no fixture was found; a measurement without a frame of reference; those of
// filing.Filing.Check.
func Registration(c *measurement.Case, f filing.Filing) ([]byte, error) {
	if err := checkDay(c); err != nil {
		return nil, err
	}
	if c.Inputs.PreFrame == "" {
		return nil, errFrame
	}
	o := spatialreg.Object{Registered: c.Inputs.PreFrame, Items: []spatialreg.Item{{Frame: c.Inputs.PreFrame, ToRegistered: geom.Identity()}}}
	for i := range c.Fixtures {
		fixture := &c.Fixtures[i]
		if fixture.Achieved == nil {
			continue
		}
		m, err := place(pose(*fixture.Achieved))
		if err != nil {
			return nil, fmt.Errorf("site %s: %w", fixture.Site, err)
		}
		o.Items = append(o.Items, spatialreg.Item{Frame: fixtureFrame(c, fixture), ToRegistered: m, Comment: "placed fixture at " + fixture.Site})
	}
	if len(o.Items) == 1 {
		return nil, errors.New("no placed fixture was found, so that there is no place to write")
	}
	d, err := f.Dataset(filing.Object{Class: spatialreg.Storage, Modality: "REG", Date: c.Placed, Version: c.Program.Version, Content: fmt.Sprint("places", o)})
	if err != nil {
		return nil, err
	}
	d.Set(tag.ContentTime, filing.Midnight)
	d.Set(tag.BodyPartExamined, "JAW")
	o.Into(&d, "PLACED FIXTURES")
	return element.Encode(uid.ExplicitVRLittleEndian, d)
}

// Surface is an Encapsulated STL object (PS3.3 A.85.1): the nominal surface of a placed
// fixture in its own frame, a cylinder with a rounded apex as clearances take it.
// The site may be "" where there is one fixture.
//
// Errors: a site that the measurement has not, or without a placed fixture; a measurement
// without a frame of reference; those of filing.Filing.Check.
func Surface(c *measurement.Case, site string, f filing.Filing) ([]byte, error) {
	if err := checkDay(c); err != nil {
		return nil, err
	}
	fixture, err := fixtureAt(c, site)
	if err != nil {
		return nil, err
	}
	if c.Inputs.PreFrame == "" {
		return nil, errFrame
	}
	a := fixture.Achieved
	p := pose(*a)
	shape := clearance.Nominal(a.Diameter)
	if _, err := shape.Place(p); err != nil {
		return nil, fmt.Errorf("site %s: %w", fixture.Site, err)
	}
	frame := fixtureFrame(c, fixture)
	d, err := f.Dataset(filing.Object{Class: encapsulated.Storage, Modality: "M3D", Date: c.Placed, Version: c.Program.Version, Content: "surface " + frame})
	if err != nil {
		return nil, err
	}
	d.Set(tag.ContentTime, filing.Midnight)
	encapsulated.Surface{
		Title: "Placed fixture at " + fixture.Site + ", nominal surface", Frame: frame, STL: trimesh.EncodeSTL(filing.Maker, solid(shape, p.Length())),
	}.Into(&d)
	return element.Encode(uid.ExplicitVRLittleEndian, d)
}

// fixtureAt is the fixture that is asked for.
func fixtureAt(c *measurement.Case, site string) (*measurement.Fixture, error) {
	var sites []string
	for i := range c.Fixtures {
		f := &c.Fixtures[i]
		if f.Site == site || site == "" && len(c.Fixtures) == 1 {
			if f.Achieved == nil {
				return nil, fmt.Errorf("site %s: no placed fixture was found, so that there is no surface to write", f.Site)
			}
			return f, nil
		}
		sites = append(sites, f.Site)
	}
	if site == "" {
		return nil, fmt.Errorf("the measurement has fixtures at %s; name one of the sites", strings.Join(sites, ", "))
	}
	return nil, fmt.Errorf("the measurement has no fixture at %q; it has %s", site, strings.Join(sites, ", "))
}

// Is reports whether a file is an object that this package wrote.
func Is(f *os.File) bool {
	info, err := f.Stat()
	if err != nil {
		return false
	}
	d, err := element.Read(f, info.Size(), element.Selection{Longest: map[tag.Tag]int64{tag.SOPClassUID: 64, tag.Manufacturer: 64}})
	class := []string{comprehensive3D, spatialreg.Storage, encapsulated.Storage}
	return err == nil && slices.Contains(class, d.Data.Identifier(tag.SOPClassUID)) && d.Data.Text(tag.Manufacturer) == filing.Maker
}
