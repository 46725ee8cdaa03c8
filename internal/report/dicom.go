package report

import (
	"fmt"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"

	"plumbline/internal/dicom/element"
)

// Archive says under whom a report is filed in a practice's archive. All of it
// may be empty: then the file names nobody, and stands in a study of its own.
type Archive struct {
	PatientName string // as DICOM has it, FAMILY^GIVEN
	PatientID   string
	StudyUID    string // of the study that the report goes to
}

// encapsulatedPDF is the SOP class of Encapsulated PDF Storage (PS3.4 B.5).
const encapsulatedPDF = "1.2.840.10008.5.1.4.1.1.104.1"

// DICOM wraps the report's PDF in a DICOM file (Encapsulated PDF, PS3.3 A.45.1)
// for a practice's archive. Its date is the document's; its UIDs follow from its
// content.
//
// Errors: those of PDF; names and numbers that DICOM does not allow.
func (d *Document) DICOM(paper Paper, a Archive) ([]byte, error) {
	if err := a.check(); err != nil {
		return nil, err
	}
	pdf, err := d.PDF(paper)
	if err != nil {
		return nil, err
	}
	date := strings.ReplaceAll(d.Date, "-", "")
	if len(date) != 8 {
		date = ""
	}
	title := []rune(plain(d.Title))
	study := a.StudyUID
	if study == "" {
		study = element.UID("report", "study", string(pdf))
	}
	var set element.Dataset
	set.Set(tag.SpecificCharacterSet, "ISO_IR 192")
	set.Set(tag.SOPClassUID, encapsulatedPDF)
	set.Set(tag.SOPInstanceUID, element.UID("report", "instance", study, a.PatientID, a.PatientName, string(pdf)))
	set.Set(tag.StudyInstanceUID, study)
	set.Set(tag.SeriesInstanceUID, element.UID("report", "series", study, string(pdf)))
	set.Set(tag.PatientName, a.PatientName)
	set.Set(tag.PatientID, a.PatientID)
	for _, empty := range []tag.Tag{tag.PatientBirthDate, tag.PatientSex, tag.StudyTime, tag.ReferringPhysicianName, tag.StudyID,
		tag.AccessionNumber, tag.ContentTime, tag.AcquisitionDateTime} {
		set.Set(empty, "")
	}
	set.Set(tag.StudyDate, date)
	set.Set(tag.ContentDate, date)
	set.Set(tag.Modality, "DOC")
	set.Set(tag.ConversionType, "WSD")
	set.Set(tag.Manufacturer, maker)
	set.Set(tag.SeriesNumber, "1")
	set.Set(tag.InstanceNumber, "1")
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

func (a Archive) check() error {
	for what, text := range map[string]string{"patient's name": a.PatientName, "patient's number": a.PatientID} {
		if len([]rune(text)) > 64 || strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r == '\\' || r == 0x7f }) {
			return fmt.Errorf("the %s is longer than 64 characters or has a character that DICOM does not allow", what)
		}
	}
	if a.StudyUID == "" {
		return nil
	}
	bad := fmt.Errorf("study UID %q: expected up to 64 characters of numbers and dots, as in 1.2.840.1", a.StudyUID)
	if len(a.StudyUID) > 64 {
		return bad
	}
	for _, part := range strings.Split(a.StudyUID, ".") {
		if strings.Trim(part, "0123456789") != "" || part == "" || len(part) > 1 && part[0] == '0' {
			return bad
		}
	}
	return nil
}
