// Package filing says under whom and where an object that this program writes is filed
// in a practice's archive: the patient, the study and the equipment, which all objects
// have in common (PS3.3 C.7).
//
// Conventions: nobody is named unless the caller does. UIDs follow from the content, so
// that the same object written twice is one. Start with Filing.
package filing

import (
	"fmt"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"

	"plumbline/internal/dicom/element"
)

// Maker is what every object names as the program that made it.
const Maker = "plumbline"

// Midnight is the time of day of an object that has a day and no time, where one has to
// be there.
const Midnight = "000000"

// Filing says under whom an object is filed. All of it may be empty: then the object
// names nobody, and stands in a study of its own.
type Filing struct {
	PatientName string // as in FAMILY^GIVEN
	PatientID   string
	StudyUID    string // of the study that the object goes to
}

// Object is what is written of an object besides its own content.
type Object struct {
	Class    string // SOP class UID
	Modality string
	Date     string // ISO; "" where it is not known
	Version  string // of the program; "" leaves it out
	Content  string // what the UIDs follow from
}

// Dataset begins an object: patient, study, series, equipment and UIDs.
//
// Errors: those of Check.
func (f Filing) Dataset(o Object) (element.Dataset, error) {
	if err := f.Check(); err != nil {
		return nil, err
	}
	date := strings.ReplaceAll(o.Date, "-", "")
	if len(date) != 8 {
		date = ""
	}
	study, number, hour := f.StudyUID, "", "" // of a study that is there, not known
	if study == "" {
		study, number, hour = element.UID("study", o.Content), "1", Midnight
	}
	var d element.Dataset
	for _, e := range []struct {
		tag   tag.Tag
		value string
	}{
		{tag.SpecificCharacterSet, "ISO_IR 192"},
		{tag.SOPClassUID, o.Class},
		{tag.SOPInstanceUID, element.UID("instance", o.Class, study, f.PatientID, f.PatientName, o.Content)},
		{tag.StudyInstanceUID, study},
		{tag.SeriesInstanceUID, element.UID("series", o.Class, study, o.Content)},
		{tag.PatientName, f.PatientName},
		{tag.PatientID, f.PatientID},
		{tag.StudyDate, date},
		{tag.StudyTime, hour},
		{tag.StudyID, number},
		{tag.ContentDate, date},
		{tag.Modality, o.Modality},
		{tag.Manufacturer, Maker},
		{tag.SeriesNumber, "1"},
		{tag.InstanceNumber, "1"},
		// Those that have to be there and are not known.
		{tag.PatientBirthDate, ""}, {tag.PatientSex, ""}, {tag.ReferringPhysicianName, ""},
		{tag.AccessionNumber, ""}, {tag.ContentTime, ""},
	} {
		d.Set(e.tag, e.value)
	}
	if o.Version != "" {
		// A program has no serial number; its version takes the place (PS3.3 C.7.5.2).
		d.Set(tag.ManufacturerModelName, Maker)
		d.Set(tag.DeviceSerialNumber, version(o.Version))
		d.Set(tag.SoftwareVersions, version(o.Version))
	}
	return d, nil
}

// version is a program's version as far as an attribute takes it.
func version(s string) string {
	r := []rune(strings.ReplaceAll(s, `\`, "/"))
	return string(r[:min(len(r), 64)])
}

// Check says what DICOM does not allow.
func (f Filing) Check() error {
	for what, text := range map[string]string{"patient's name": f.PatientName, "patient's number": f.PatientID} {
		if len([]rune(text)) > 64 || strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r == '\\' || r == 0x7f }) {
			return fmt.Errorf("the %s is longer than 64 characters or has a character that DICOM does not allow", what)
		}
	}
	if f.StudyUID == "" {
		return nil
	}
	bad := fmt.Errorf("study UID %q: expected up to 64 characters of numbers and dots, as in 1.2.840.1", f.StudyUID)
	if len(f.StudyUID) > 64 {
		return bad
	}
	for _, part := range strings.Split(f.StudyUID, ".") {
		if strings.Trim(part, "0123456789") != "" || part == "" || len(part) > 1 && part[0] == '0' {
			return bad
		}
	}
	return nil
}
