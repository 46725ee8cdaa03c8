package spatialreg

import (
	"github.com/suyashkumar/dicom/pkg/tag"

	"plumbline/internal/dicom/element"
)

// Into writes the object's own modules into a dataset that says whose it is (PS3.3
// C.20.2 and C.7.4.1); the label is its Content Label, in capitals. A matrix keeps the 16
// characters a number that the format has: 1e-10 mm within a scanner's room.
func (o *Object) Into(d *element.Dataset, label string) {
	d.Set(tag.ContentLabel, label)
	d.Set(tag.ContentDescription, "")
	d.Set(tag.ContentCreatorName, "")
	d.Set(tag.FrameOfReferenceUID, o.Registered)
	d.Set(tag.PositionReferenceIndicator, "")
	var items []element.Dataset
	for _, it := range o.Items {
		a := it.ToRegistered.Matrix()
		var matrix, one, item element.Dataset
		matrix.Set(tag.FrameOfReferenceTransformationMatrixType, "RIGID")
		matrix.Set(tag.FrameOfReferenceTransformationMatrix, element.FormatDecimals(a[:]...))
		one.Set(tag.MatrixSequence, []element.Dataset{matrix})
		one.Set(tag.RegistrationTypeCodeSequence, []element.Dataset{})
		if it.Comment != "" {
			one.Set(tag.FrameOfReferenceTransformationComment, it.Comment)
		}
		item.Set(tag.FrameOfReferenceUID, it.Frame)
		item.Set(tag.MatrixRegistrationSequence, []element.Dataset{one})
		items = append(items, item)
	}
	d.Set(tag.RegistrationSequence, items)
}
