package scan

import (
	"fmt"
	"slices"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"

	"plumbline/internal/dicom/element"
)

const (
	// maxValue bounds one kept value, bytes; longer ones count as absent. None
	// that a scan needs has more, but for those with a number a frame.
	maxValue = 1 << 12
	// maxVector bounds those, bytes: 17 for a decimal string and its backslash
	// (PS3.5 6.2) times maxFrames.
	maxVector = 17 * maxFrames
	// maxItems bounds the kept sequence items of one file: an item and four
	// functional groups for each of maxFrames, or the records of a DICOMDIR.
	maxItems = 6 * maxFrames
)

// scanAttributes are the attributes that a scan needs.
var scanAttributes = func() element.Selection {
	longest := map[tag.Tag]int64{tag.SliceLocationVector: maxVector, tag.ExtendedOffsetTable: maxVector}
	for _, t := range []tag.Tag{
		tag.MediaStorageSOPClassUID, tag.ReferencedFileID,
		tag.ImageType, tag.SOPInstanceUID, tag.InstanceNumber, tag.AcquisitionNumber, tag.StudyDate, tag.Modality,
		tag.AcquisitionDate, tag.SeriesDate, tag.SpecificCharacterSet, tag.PatientIdentityRemoved,
		tag.SliceThickness, tag.SpacingBetweenSlices,
		tag.SeriesInstanceUID, tag.FrameOfReferenceUID,
		tag.ImagePositionPatient, tag.ImageOrientationPatient,
		tag.SamplesPerPixel, tag.PhotometricInterpretation, tag.NumberOfFrames, tag.FrameIncrementPointer,
		tag.Rows, tag.Columns, tag.PixelSpacing,
		tag.BitsAllocated, tag.BitsStored, tag.HighBit, tag.PixelRepresentation,
		tag.PixelPaddingValue, tag.PixelPaddingRangeLimit,
		tag.RescaleIntercept, tag.RescaleSlope, tag.LossyImageCompression,
	} {
		longest[t] = maxValue
	}
	for _, a := range slices.Concat(personAttributes, numberAttributes) { // compared only, never shown
		longest[a.tag] = maxValue
	}
	for _, t := range []tag.Tag{
		tag.DirectoryRecordSequence, tag.ModalityLUTSequence,
		tag.SharedFunctionalGroupsSequence, tag.PerFrameFunctionalGroupsSequence,
		tag.PlanePositionSequence, tag.PlaneOrientationSequence,
		tag.PixelMeasuresSequence, tag.PixelValueTransformationSequence,
	} {
		longest[t] = element.Items
	}
	return element.Selection{Longest: longest, MaxItems: maxItems}
}()

// codeString is a code string (PS3.5 6.2, CS), or "" when it is none.
func codeString(s string) string {
	s = strings.ToUpper(s)
	if len(s) > 16 || strings.Trim(s, "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_ ") != "" {
		return ""
	}
	return s
}

// plural counts things: "1 slice", "2 slices".
func plural(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
