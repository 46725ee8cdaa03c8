package report

import (
	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"

	"plumbline/internal/dicom/element"
	"plumbline/internal/dicom/filing"
)

// encapsulatedPDF is the SOP class of Encapsulated PDF Storage (PS3.4 B.5).
const encapsulatedPDF = "1.2.840.10008.5.1.4.1.1.104.1"

// DICOM wraps the report's PDF in a DICOM file (Encapsulated PDF, PS3.3 A.45.1)
// for a practice's archive. Its date is the document's; its UIDs follow from its
// content.
//
// Errors: those of PDF and of filing.Filing.Check.
func (d *Document) DICOM(paper Paper, f filing.Filing) ([]byte, error) {
	pdf, err := d.PDF(paper)
	if err != nil {
		return nil, err
	}
	title := []rune(plain(d.Title))
	set, err := f.Dataset(filing.Object{Class: encapsulatedPDF, Modality: "DOC", Date: d.Date, Content: string(pdf)})
	if err != nil {
		return nil, err
	}
	set.Set(tag.ConversionType, "WSD")
	set.Set(tag.AcquisitionDateTime, "")
	// The pages themselves never name a patient; the value says so.
	set.Set(tag.BurnedInAnnotation, "NO")
	set.Set(tag.DocumentTitle, string(title[:min(len(title), 1024)]))
	set.Set(tag.ConceptNameCodeSequence, []element.Dataset{})
	set.Set(tag.MIMETypeOfEncapsulatedDocument, "application/pdf")
	set.Set(tag.EncapsulatedDocumentLength, []uint32{uint32(len(pdf))})
	if len(pdf)%2 == 1 {
		pdf = append(pdf, 0)
	}
	set.SetVR(tag.EncapsulatedDocument, "OB", pdf)
	return element.Encode(uid.ExplicitVRLittleEndian, set)
}
