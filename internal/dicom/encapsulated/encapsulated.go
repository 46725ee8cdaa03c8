// Package encapsulated has a triangle surface that travels as an object: Encapsulated STL
// (PS3.3 A.85.1).
//
// Conventions: coordinates are in the object's frame of reference, and in the unit that
// its Measurement Units Code Sequence (0040,08EA) states; STL itself has neither. Start
// with Surface.
package encapsulated

import (
	"errors"
	"fmt"

	"github.com/suyashkumar/dicom/pkg/tag"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/dicom/carrier"
	"plumbline/internal/dicom/code"
	"plumbline/internal/dicom/element"
	"plumbline/internal/trimesh"
)

// Storage is the SOP class of the object (PS3.4 B.5).
const Storage = "1.2.840.10008.5.1.4.1.1.104.3"

// Surface is a surface in mm.
type Surface struct {
	Title string
	Frame string // Frame of Reference UID
	STL   []byte // binary STL
}

// planning is what the model is for (CID 7064 of PS3.16).
var planning = code.Code{Value: "129013", Scheme: code.DCM, Meaning: "Planning Intent"}

// Into writes the object's own modules into a dataset that says whose it is (PS3.3
// C.24.2, C.35.1 and C.7.4.1).
func (s Surface) Into(d *element.Dataset) {
	d.Set(tag.FrameOfReferenceUID, s.Frame)
	d.Set(tag.PositionReferenceIndicator, "")
	d.Set(tag.BurnedInAnnotation, "NO")
	d.Set(tag.RecognizableVisualFeatures, "NO")
	d.Set(tag.AcquisitionDateTime, "")
	d.Set(tag.DocumentTitle, s.Title)
	d.Set(tag.ConceptNameCodeSequence, []element.Dataset{})
	d.Set(tag.MIMETypeOfEncapsulatedDocument, "model/stl")
	d.Set(tag.EncapsulatedDocumentLength, []uint32{uint32(len(s.STL))})
	d.SetVR(tag.EncapsulatedDocument, "OB", s.STL)
	d.Set(tag.MeasurementUnitsCodeSequence, code.Millimetre.Items())
	d.Set(tag.ModelModification, "NO")
	d.Set(tag.ModelMirroring, "NO")
	d.Set(tag.ModelUsageCodeSequence, planning.Items())
}

// Longest are the attributes that are read.
func Longest() map[tag.Tag]int64 {
	return carrier.Selected(
		code.Longest(tag.MeasurementUnitsCodeSequence),
		carrier.Values(carrier.Text, tag.DocumentTitle, tag.MIMETypeOfEncapsulatedDocument, tag.FrameOfReferenceUID),
		carrier.Values(4, tag.EncapsulatedDocumentLength),
		carrier.Values(maxSTL, tag.EncapsulatedDocument))
}

// maxSTL bounds the surface, bytes: five million triangles.
const maxSTL = 256 << 20

// units are the units of length that a surface may state (UCUM), in mm.
var units = map[string]float64{"mm": 1, "um": 0.001, "cm": 10, "m": 1000, "[in_i]": 25.4}

// Body is the surface of the object.
//
// Errors: another kind of document, no unit, or a file that is no STL.
func Body(in carrier.Input) (*carrier.Body, error) {
	if kind := in.Data.Text(tag.MIMETypeOfEncapsulatedDocument); kind != "model/stl" && kind != "application/sla" {
		return nil, fmt.Errorf("its document is of the kind %q, expected model/stl", element.Shorten(kind))
	}
	unit := code.Read(in.Data, tag.MeasurementUnitsCodeSequence)
	mm, ok := units[unit.Value]
	if !ok || unit.Scheme != code.UCUM {
		return nil, fmt.Errorf("its unit (0040,08EA) is %s, expected mm, um, cm, m or [in_i] of UCUM; export it with its unit stated", unit)
	}
	data := in.Data[tag.EncapsulatedDocument].Value
	// A pad byte makes the length even; the length without it may be stated.
	if n, ok, err := in.Data.Integer(tag.EncapsulatedDocumentLength); err == nil && ok && n == len(data)-1 {
		data = data[:n]
	} else if len(data) > 84 && !trimesh.WholeSTL(data) && trimesh.WholeSTL(data[:len(data)-1]) {
		data = data[:len(data)-1]
	}
	if len(data) == 0 {
		return nil, errors.New("it has no surface (0042,0011)")
	}
	mesh, err := trimesh.Decode("its STL", data)
	if err != nil {
		return nil, err
	}
	for i, v := range mesh.Vertices {
		mesh.Vertices[i] = r3.Scale(mm, v)
	}
	return &carrier.Body{Name: in.Data.Text(tag.DocumentTitle), Frame: in.Data.Identifier(tag.FrameOfReferenceUID), Mesh: mesh}, nil
}
