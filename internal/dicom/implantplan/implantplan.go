// Package implantplan reads a planned fixture from the objects of an implantation plan as
// PS3.17 AAA.4 shows them for a dental case: an Implantation Plan SR (PS3.3 A.35.12, TID 7000)
// that lists components, an Implant Template for the shape of each (PS3.3 A.61), and a
// Spatial Registration that carries each component's frame of reference into the scan's.
//
// Conventions: the surface comes in the registered frame, patient LPS, mm. A component is
// known by its Component ID. Its Component Type says nothing here: the standard has types
// of hips and knees alone, and its own dental example writes that of a hip. Start with
// Plan.
//
// Limits: the shape is the template's surface; drawings and mating points are not read.
package implantplan

import (
	"errors"
	"fmt"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"

	"plumbline/internal/dicom/carrier"
	"plumbline/internal/dicom/code"
	"plumbline/internal/dicom/element"
	"plumbline/internal/dicom/spatialreg"
	sr "plumbline/internal/dicom/structurereport"
	"plumbline/internal/dicom/surfacesegmentation"
	"plumbline/internal/trimesh"
)

// SOP classes of the plan and of templates (PS3.4 B.5, GG.3).
const (
	Storage  = "1.2.840.10008.5.1.4.1.1.88.70"
	Template = "1.2.840.10008.5.1.4.43.1"
)

// Concepts of TID 7000 (PS3.16).
var (
	component       = code.Code{Value: "112346", Scheme: code.DCM}
	componentID     = code.Code{Value: "112347", Scheme: code.DCM}
	implantTemplate = code.Code{Value: "112348", Scheme: code.DCM}
	frameOf         = code.Code{Value: "112227", Scheme: code.DCM}
	manufacturers   = code.Code{Value: "112371", Scheme: code.DCM}
)

// Longest are the attributes of a plan and a template that are read.
func Longest() map[tag.Tag]int64 {
	return carrier.Selected(sr.Longest(), surfacesegmentation.Longest(), carrier.Values(carrier.Text, tag.SOPInstanceUID))
}

// Plan is the objects of a plan.
type Plan struct {
	SR            carrier.Input
	Templates     []carrier.Input
	Registrations []*spatialreg.Object
}

// Component is a fixture that the plan lists.
type Component struct {
	ID    string
	Frame string          // Frame of Reference UID, its own
	Shape []sr.References // of templates, the one derived for this patient first
}

// Components are the fixtures that the plan lists.
//
// Errors: a report that is no plan of fixtures.
func (p *Plan) Components() ([]Component, error) {
	root, err := sr.Read(p.SR.Data)
	if err != nil {
		return nil, err
	}
	var out []Component
	for _, item := range root.Find(component) {
		c := Component{}
		var original []sr.References
		for _, below := range item.Items {
			switch {
			case below.Name.Is(componentID):
				c.ID = strings.TrimSpace(below.Text)
				if below.Type == sr.Numeric {
					c.ID = fmt.Sprint(below.Number)
				}
			case below.Name.Is(frameOf):
				c.Frame = below.Text
			case below.Type == sr.Composite && below.Name.Is(manufacturers):
				original = append(original, below.Object)
			case below.Type == sr.Composite && (below.Name.Is(implantTemplate) || below.Name == (code.Code{})):
				c.Shape = append(c.Shape, below.Object)
			}
		}
		c.Shape = append(c.Shape, original...)
		if c.Frame != "" {
			out = append(out, c)
		}
	}
	if len(out) == 0 {
		return nil, errors.New("it lists no component with a frame of reference of its own (112227, DCM)")
	}
	return out, nil
}

// Body is the surface of a component, in the frame that a registration carries it into.
//
// Errors: the component, its template or its registration is not there.
func (p *Plan) Body(id string) (*carrier.Body, error) {
	list, err := p.Components()
	if err != nil {
		return nil, err
	}
	c, err := pick(list, id)
	if err != nil {
		return nil, err
	}
	mesh, err := p.shape(c)
	if err != nil {
		return nil, fmt.Errorf("component %q: %w", element.Shorten(c.ID), err)
	}
	var registered *spatialreg.Object
	for _, r := range p.Registrations {
		for _, item := range r.Items {
			if item.Frame != c.Frame {
				continue
			}
			if registered != nil && registered != r {
				return nil, fmt.Errorf("component %q: two registrations carry its frame of reference; keep one", element.Shorten(c.ID))
			}
			registered = r
		}
	}
	if registered == nil {
		return nil, fmt.Errorf("component %q: no Spatial Registration beside the plan carries its frame of reference %s", element.Shorten(c.ID), c.Frame)
	}
	toScan, err := registered.Between(registered.Registered, c.Frame)
	if err != nil {
		return nil, fmt.Errorf("component %q: %w", element.Shorten(c.ID), err)
	}
	for i, v := range mesh.Vertices {
		mesh.Vertices[i] = toScan.Apply(v)
	}
	return &carrier.Body{Name: c.ID, Frame: registered.Registered, Mesh: mesh}, nil
}

// pick is the component of an ID; of one alone, that one.
func pick(list []Component, id string) (*Component, error) {
	var found *Component
	var names []string
	for i := range list {
		if list[i].ID == id {
			if found != nil {
				return nil, fmt.Errorf("two components have the ID %q", id)
			}
			found = &list[i]
		}
		names = append(names, fmt.Sprintf("%q", element.Shorten(list[i].ID)))
	}
	if found == nil && len(list) == 1 {
		found = &list[0]
	}
	if found == nil {
		return nil, fmt.Errorf("it has no component %q; write which one is meant, as in component = %s; it has %s", id, names[0], strings.Join(names, ", "))
	}
	return found, nil
}

// shape is the surface of the first template of a component that is there.
func (p *Plan) shape(c *Component) (*trimesh.Mesh, error) {
	for _, r := range c.Shape {
		for _, t := range p.Templates {
			if t.Data.Identifier(tag.SOPInstanceUID) != r.Instance {
				continue
			}
			return surfacesegmentation.Whole(t)
		}
	}
	if len(c.Shape) == 0 {
		return nil, errors.New("the plan names no Implant Template for it")
	}
	return nil, errors.New("its Implant Template is not beside the plan; put it into the same folder")
}
