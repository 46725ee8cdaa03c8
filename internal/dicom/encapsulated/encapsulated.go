// Package encapsulated has a triangle surface that travels as an object: Encapsulated STL
// (PS3.3 A.85.1).
//
// Conventions: coordinates are in the object's frame of reference, and in the unit that
// its Measurement Units Code Sequence (0040,08EA) states; STL itself has neither. Start
// with Surface.
package encapsulated

import (
	"github.com/suyashkumar/dicom/pkg/tag"

	"plumbline/internal/dicom/code"
	"plumbline/internal/dicom/element"
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
