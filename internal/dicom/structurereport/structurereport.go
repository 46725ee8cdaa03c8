// Package structurereport has the content of a structured report: a tree of coded
// items (PS3.3 C.17.3), written into an object and read from one.
//
// Conventions: what an item means is its Name, how it stands to the item above it its
// Relation. Numbers are in their Unit, points mm in their frame of reference. Start with
// Item.
//
// Limits: items by reference (Referenced Content Item Identifier) are read as items
// without a type; waveforms, times and 2-D coordinates as items without a value.
package structurereport

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"

	"plumbline/internal/dicom/code"
	"plumbline/internal/dicom/element"
	"plumbline/internal/geom"
)

// Types of items (PS3.3 table C.17.3-8).
const (
	Container = "CONTAINER"
	Coded     = "CODE"
	Numeric   = "NUM"
	Text      = "TEXT"
	UIDRef    = "UIDREF"
	Point3D   = "SCOORD3D"
	Composite = "COMPOSITE"
)

// Relations of an item to the one above it (PS3.3 table C.17.3-8).
const (
	Contains      = "CONTAINS"
	HasModifier   = "HAS CONCEPT MOD"
	HasProperties = "HAS PROPERTIES"
	HasContext    = "HAS OBS CONTEXT"
)

// Item is one item of the tree. Which of the values it has follows from its Type.
type Item struct {
	Relation string // to the item above; "" of the root
	Type     string
	Name     code.Code
	Items    []Item

	Code   code.Code  // Coded
	Number float64    // Numeric
	Unit   code.Code  // Numeric
	Text   string     // Text, UIDRef
	Point  geom.Vec   // Point3D: a single one
	Frame  string     // Point3D: Frame of Reference UID
	Object References // Composite

	Template string // of a Container: identifier of the template that it follows (PS3.16); "" for none
}

// References names another object.
type References struct{ Class, Instance string }

// Add puts an item below another.
func (it *Item) Add(relation string, child Item) {
	child.Relation = relation
	it.Items = append(it.Items, child)
}

// Into writes the tree into an object's dataset; it is the root.
func (it Item) Into(d *element.Dataset) {
	d.Set(tag.ValueType, it.Type)
	if it.Relation != "" {
		d.Set(tag.RelationshipType, it.Relation)
	}
	if it.Name != (code.Code{}) {
		d.Set(tag.ConceptNameCodeSequence, it.Name.Items())
	}
	switch it.Type {
	case Container:
		d.Set(tag.ContinuityOfContent, "SEPARATE")
		if it.Template != "" {
			var t element.Dataset
			t.Set(tag.MappingResource, "DCMR")
			t.Set(tag.TemplateIdentifier, it.Template)
			d.Set(tag.ContentTemplateSequence, []element.Dataset{t})
		}
	case Coded:
		d.Set(tag.ConceptCodeSequence, it.Code.Items())
	case Numeric:
		var v element.Dataset
		v.Set(tag.NumericValue, element.FormatDecimals(it.Number))
		v.Set(tag.MeasurementUnitsCodeSequence, it.Unit.Items())
		d.Set(tag.MeasuredValueSequence, []element.Dataset{v})
	case Text:
		d.Set(tag.TextValue, it.Text)
	case UIDRef:
		d.Set(tag.UID, it.Text)
	case Point3D:
		d.Set(tag.GraphicType, "POINT")
		d.SetVR(tag.GraphicData, "FL", float32s(it.Point))
		d.Set(tag.ReferencedFrameOfReferenceUID, it.Frame)
	case Composite:
		var r element.Dataset
		r.Set(tag.ReferencedSOPClassUID, it.Object.Class)
		r.Set(tag.ReferencedSOPInstanceUID, it.Object.Instance)
		d.Set(tag.ReferencedSOPSequence, []element.Dataset{r})
	}
	if len(it.Items) == 0 {
		return
	}
	below := make([]element.Dataset, len(it.Items))
	for i, child := range it.Items {
		child.Into(&below[i])
	}
	d.Set(tag.ContentSequence, below)
}

func float32s(p geom.Vec) []uint32 {
	return []uint32{math.Float32bits(float32(p.X)), math.Float32bits(float32(p.Y)), math.Float32bits(float32(p.Z))}
}

// Longest are the attributes of a tree with the most bytes that are read of each, for
// an element.Selection.
func Longest() map[tag.Tag]int64 {
	const text = 1 << 14
	out := code.Longest(tag.ConceptNameCodeSequence, tag.ConceptCodeSequence, tag.MeasurementUnitsCodeSequence)
	for _, sequence := range []tag.Tag{tag.ContentSequence, tag.MeasuredValueSequence, tag.ContentTemplateSequence, tag.ReferencedSOPSequence} {
		out[sequence] = element.Items
	}
	for _, value := range []tag.Tag{tag.ValueType, tag.RelationshipType, tag.TemplateIdentifier, tag.NumericValue, tag.TextValue, tag.UID,
		tag.GraphicType, tag.GraphicData, tag.ReferencedFrameOfReferenceUID, tag.ReferencedSOPClassUID, tag.ReferencedSOPInstanceUID} {
		out[value] = text
	}
	return out
}

// Read is the tree in an object's dataset.
//
// Errors: a number or a point that is none.
func Read(d element.Dataset) (Item, error) {
	it := Item{Relation: d.Text(tag.RelationshipType), Type: d.Text(tag.ValueType), Name: code.Read(d, tag.ConceptNameCodeSequence)}
	switch it.Type {
	case Container:
		for _, t := range d[tag.ContentTemplateSequence].Items {
			it.Template = t.Text(tag.TemplateIdentifier)
		}
	case Coded:
		it.Code = code.Read(d, tag.ConceptCodeSequence)
	case Numeric:
		if err := it.readNumber(d); err != nil {
			return it, err
		}
	case Text:
		it.Text = d.Text(tag.TextValue)
	case UIDRef:
		it.Text = d.Identifier(tag.UID)
	case Point3D:
		if err := it.readPoint(d); err != nil {
			return it, err
		}
	case Composite, "IMAGE":
		for _, r := range d[tag.ReferencedSOPSequence].Items {
			it.Object = References{r.Identifier(tag.ReferencedSOPClassUID), r.Identifier(tag.ReferencedSOPInstanceUID)}
		}
	}
	for _, child := range d[tag.ContentSequence].Items {
		below, err := Read(child)
		if err != nil {
			return it, err
		}
		it.Items = append(it.Items, below)
	}
	return it, nil
}

// readNumber reads the measured value; it may be empty (PS3.3 C.18.1), and is NaN then.
func (it *Item) readNumber(d element.Dataset) error {
	it.Number = math.NaN()
	for _, v := range d[tag.MeasuredValueSequence].Items {
		it.Unit = code.Read(v, tag.MeasurementUnitsCodeSequence)
		x, err := strconv.ParseFloat(v.Text(tag.NumericValue), 64)
		if err != nil || math.IsInf(x, 0) || math.IsNaN(x) {
			return fmt.Errorf("the number of the item %s is none", it.Name)
		}
		it.Number = x
	}
	return nil
}

// readPoint reads a single point; of other graphics only the frame is taken.
func (it *Item) readPoint(d element.Dataset) error {
	it.Frame = d.Identifier(tag.ReferencedFrameOfReferenceUID)
	if d.Text(tag.GraphicType) != "POINT" {
		return nil
	}
	x, ok := d.Floats32(tag.GraphicData)
	if !ok || len(x) != 3 {
		return fmt.Errorf("the point of the item %s has not three coordinates", it.Name)
	}
	it.Point = geom.Vec{X: x[0], Y: x[1], Z: x[2]}
	if !geom.Finite(it.Point) {
		return fmt.Errorf("the point of the item %s is not finite", it.Name)
	}
	return nil
}

// Find gives the items below one, at any depth, whose names are one of those given, in
// order.
func (it *Item) Find(names ...code.Code) []*Item {
	var out []*Item
	for i := range it.Items {
		child := &it.Items[i]
		for _, n := range names {
			if child.Name.Is(n) {
				out = append(out, child)
				break
			}
		}
		out = append(out, child.Find(names...)...)
	}
	return out
}

// String is the tree as indented text, an item a line, for tests and messages.
func (it Item) String() string {
	var b strings.Builder
	it.write(&b, 0)
	return b.String()
}

func (it Item) write(b *strings.Builder, depth int) {
	fmt.Fprintf(b, "%s%s %s %q", strings.Repeat("  ", depth), it.Relation, it.Type, it.Name.Meaning)
	switch it.Type {
	case Coded:
		fmt.Fprintf(b, " = %s %q", it.Code, it.Code.Meaning)
	case Numeric:
		fmt.Fprintf(b, " = %v %s", it.Number, it.Unit.Value)
	case Text, UIDRef:
		fmt.Fprintf(b, " = %q", it.Text)
	case Point3D:
		fmt.Fprintf(b, " = %v in %s", it.Point, it.Frame)
	}
	b.WriteByte('\n')
	for _, child := range it.Items {
		child.write(b, depth+1)
	}
}
