// Package encode writes a volume as DICOM: as one file a slice, as one
// Enhanced CT file with functional groups, or as one multi-frame CT file
// without them, in each of the uncompressed transfer syntaxes.
//
// Conventions: the written files carry no person's name, number or dates but
// the study date that is asked for; UIDs are derived from what is written, so
// that the same volume gives the same bytes. Start with Volume;
// element.Encode writes any other dataset.
//
// Limits: 8 or 16 bits a voxel, no compression. The attributes are those that a
// viewer needs, not all that the standard asks of a modality.
package encode

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"strconv"

	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/dicom/element"
	"plumbline/internal/volume"
)

// Layout is how a volume is laid out in files.
type Layout int

const (
	SingleFrame     Layout = iota // one file a slice
	EnhancedCT                    // one file, each frame with its place (PS3.3 A.38)
	PlainMultiFrame               // one file, only the first frame with its place
)

// Options says how to write. The zero value is one file a slice, explicit
// little endian, unsigned, 16 bits.
type Options struct {
	Layout     Layout
	Syntax     string // transfer syntax UID
	Signed     bool   // two's complement: stored word − 32768
	BitsStored int    // 1 to 16; 0 = 16
	HighBit    int    // 0 = BitsStored − 1
	Bytes      int    // of a voxel, 1 or 2; 0 = 2

	// "" = derived from the volume
	SeriesUID, StudyUID, FrameOfReferenceUID string
	StudyDate                                string // ISO date; "" = none

	// Order has the slices in the order of the frames of an Enhanced CT file;
	// nil = from the first on.
	Order []int
	// Name gives the file name of slice k; nil = IM0001.dcm and so on.
	Name func(k int) string
	// Change may alter each file's attributes before they are written; k is the
	// slice, 0 for a multi-frame file.
	Change func(k int, d *element.Dataset)
}

// SOP classes (PS3.4 B.5).
const (
	ctImage    = "1.2.840.10008.5.1.4.1.1.2"
	enhancedCT = "1.2.840.10008.5.1.4.1.1.2.1"
)

// Volume writes v into the folder dir, which is made when it is not there.
//
// The files are neither synced nor renamed into place: a caller who needs that
// writes into a folder of a temporary name.
//
// Errors: a stored value that does not fit the bits; a rescale that changes
// from slice to slice where the layout has one for all; options that contradict
// each other.
func Volume(dir string, v *volume.Volume, o Options) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	files := 1
	if o.Layout == SingleFrame {
		files = v.Size[2]
	}
	w, err := newWriter(v, o)
	if err != nil {
		return err
	}
	for k := range files {
		d, err := w.dataset(k)
		if err != nil {
			return err
		}
		if o.Change != nil {
			o.Change(k, &d)
		}
		b, err := element.Encode(w.Syntax, d)
		if err != nil {
			return err
		}
		name := fmt.Sprintf("IM%04d.dcm", k+1)
		if o.Name != nil {
			name = o.Name(k)
		}
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o644); err != nil {
			return err
		}
	}
	return nil
}

// writer is a volume with its options filled in.
type writer struct {
	*volume.Volume
	Options
}

func newWriter(v *volume.Volume, o Options) (*writer, error) {
	if o.Syntax == "" {
		o.Syntax = uid.ExplicitVRLittleEndian
	}
	if o.Bytes == 0 {
		o.Bytes = 2
	}
	if o.BitsStored == 0 {
		o.BitsStored = 8 * o.Bytes
	}
	if o.HighBit == 0 {
		o.HighBit = o.BitsStored - 1
	}
	seed := sha256.New()
	fmt.Fprintln(seed, v.Grid)
	for k := range v.Size[2] {
		fmt.Fprintln(seed, v.Slope[k], v.Intercept[k])
	}
	row := make([]byte, 0, 2*v.Size[0])
	for at := 0; at < len(v.Stored); at += v.Size[0] {
		row = row[:0]
		for _, s := range v.Stored[at : at+v.Size[0]] {
			row = binary.LittleEndian.AppendUint16(row, s)
		}
		seed.Write(row)
	}
	base := string(seed.Sum(nil))
	for what, to := range map[string]*string{"series": &o.SeriesUID, "study": &o.StudyUID, "frame": &o.FrameOfReferenceUID} {
		if *to == "" {
			*to = element.UID(base, what)
		}
	}
	if l := 8 * o.Bytes; o.BitsStored < 1 || o.HighBit >= l || o.HighBit < o.BitsStored-1 {
		return nil, fmt.Errorf("there is no voxel of %d bits with %d stored and high bit %d", l, o.BitsStored, o.HighBit)
	}
	if o.Order == nil {
		o.Order = make([]int, v.Size[2])
		for k := range o.Order {
			o.Order[k] = k
		}
	} else if o.Layout != EnhancedCT || len(o.Order) != v.Size[2] {
		return nil, fmt.Errorf("an order of %d frames for %d slices, or for a layout other than Enhanced CT", len(o.Order), v.Size[2])
	}
	if o.Layout == PlainMultiFrame {
		for k := range v.Size[2] {
			if v.Slope[k] != v.Slope[0] || v.Intercept[k] != v.Intercept[0] {
				return nil, fmt.Errorf("slice %d has another rescale than slice 1, and this layout has one for all", k+1)
			}
		}
	}
	return &writer{v, o}, nil
}

// dataset is the attributes of file k.
func (w *writer) dataset(k int) (element.Dataset, error) {
	frames := 1
	if w.Layout != SingleFrame {
		frames = w.Size[2]
	}
	var d element.Dataset
	class := ctImage
	if w.Layout == EnhancedCT {
		class = enhancedCT
	}
	d.Set(tag.SpecificCharacterSet, "ISO_IR 192")
	d.Set(tag.ImageType, `DERIVED\PRIMARY\AXIAL`)
	d.Set(tag.SOPClassUID, class)
	d.Set(tag.SOPInstanceUID, element.UID(w.SeriesUID, "instance", strconv.Itoa(k)))
	d.Set(tag.StudyDate, digits(w.StudyDate))
	d.Set(tag.Modality, "CT")
	for _, empty := range []tag.Tag{tag.StudyTime, tag.AccessionNumber, tag.Manufacturer, tag.ReferringPhysicianName,
		tag.PatientName, tag.PatientID, tag.PatientBirthDate, tag.PatientSex, tag.StudyID, tag.KVP, tag.PositionReferenceIndicator,
		tag.PatientPosition, tag.AcquisitionNumber} {
		d.Set(empty, "")
	}
	d.Set(tag.BodyPartExamined, "JAW")
	d.Set(tag.StudyInstanceUID, w.StudyUID)
	d.Set(tag.SeriesInstanceUID, w.SeriesUID)
	d.Set(tag.SeriesNumber, "1")
	d.Set(tag.InstanceNumber, strconv.Itoa(k+1))
	d.Set(tag.FrameOfReferenceUID, w.FrameOfReferenceUID)

	d.Set(tag.SamplesPerPixel, []uint16{1})
	d.Set(tag.PhotometricInterpretation, "MONOCHROME2")
	d.Set(tag.Rows, []uint16{uint16(w.Size[1])})
	d.Set(tag.Columns, []uint16{uint16(w.Size[0])})
	d.Set(tag.BitsAllocated, []uint16{uint16(8 * w.Bytes)})
	d.Set(tag.BitsStored, []uint16{uint16(w.BitsStored)})
	d.Set(tag.HighBit, []uint16{uint16(w.HighBit)})
	sign := uint16(0)
	if w.Signed {
		sign = 1
	}
	d.Set(tag.PixelRepresentation, []uint16{sign})
	if w.Padding != nil {
		vr := [2]string{"US", "SS"}[sign]
		d.SetVR(tag.PixelPaddingValue, vr, []uint16{w.Padding.Low ^ sign<<15})
		if w.Padding.High != w.Padding.Low {
			d.SetVR(tag.PixelPaddingRangeLimit, vr, []uint16{w.Padding.High ^ sign<<15})
		}
	}
	if frames > 1 {
		d.Set(tag.NumberOfFrames, strconv.Itoa(frames))
	}
	if w.Layout == EnhancedCT {
		w.functionalGroups(&d)
	} else {
		for _, part := range []element.Dataset{w.position(k), w.orientation(), w.measures(), w.rescale(k)} {
			maps.Copy(d, part)
		}
	}
	if w.Layout == PlainMultiFrame {
		d.Set(tag.FrameIncrementPointer, []uint16{tag.SliceThickness.Group, tag.SliceThickness.Element})
	}
	pixels, err := w.pixels(k, frames)
	if err != nil {
		return nil, err
	}
	if w.Bytes == 1 {
		d.SetVR(tag.PixelData, "OB", pixels)
	} else {
		d.SetVR(tag.PixelData, "OW", pixels)
	}
	return d, nil
}

func digits(isoDate string) string {
	if len(isoDate) != 10 {
		return ""
	}
	return isoDate[:4] + isoDate[5:7] + isoDate[8:]
}

func (w *writer) position(k int) (d element.Dataset) {
	p := w.Patient(0, 0, float64(k))
	d.Set(tag.ImagePositionPatient, element.FormatDecimals(p.X, p.Y, p.Z))
	return d
}

func (w *writer) orientation() (d element.Dataset) {
	x, y := r3.Unit(w.Step[0]), r3.Unit(w.Step[1])
	d.Set(tag.ImageOrientationPatient, element.FormatDecimals(x.X, x.Y, x.Z, y.X, y.Y, y.Z))
	return d
}

// measures has the row spacing, which is the distance between rows, first
// (PS3.3 10.7.1.3).
func (w *writer) measures() (d element.Dataset) {
	sp := w.Spacing()
	d.Set(tag.PixelSpacing, element.FormatDecimals(sp[1], sp[0]))
	d.Set(tag.SliceThickness, element.FormatDecimals(sp[2]))
	d.Set(tag.SpacingBetweenSlices, element.FormatDecimals(sp[2]))
	return d
}

func (w *writer) rescale(k int) (d element.Dataset) {
	intercept := w.Intercept[k]
	if w.Signed {
		intercept += 32768 * w.Slope[k]
	}
	d.Set(tag.RescaleIntercept, element.FormatDecimals(intercept))
	d.Set(tag.RescaleSlope, element.FormatDecimals(w.Slope[k]))
	d.Set(tag.RescaleType, "US")
	return d
}

// functionalGroups writes what all frames share and what each has of its own
// (PS3.3 C.7.6.16).
func (w *writer) functionalGroups(d *element.Dataset) {
	shared := element.Dataset{}
	shared.Set(tag.PixelMeasuresSequence, []element.Dataset{w.measures()})
	shared.Set(tag.PlaneOrientationSequence, []element.Dataset{w.orientation()})
	uniform := true
	for k := range w.Size[2] {
		uniform = uniform && w.Slope[k] == w.Slope[0] && w.Intercept[k] == w.Intercept[0]
	}
	if uniform {
		shared.Set(tag.PixelValueTransformationSequence, []element.Dataset{w.rescale(0)})
	}
	own := make([]element.Dataset, w.Size[2])
	for i, k := range w.Order {
		own[i].Set(tag.PlanePositionSequence, []element.Dataset{w.position(k)})
		if !uniform {
			own[i].Set(tag.PixelValueTransformationSequence, []element.Dataset{w.rescale(k)})
		}
	}
	d.Set(tag.SharedFunctionalGroupsSequence, []element.Dataset{shared})
	d.Set(tag.PerFrameFunctionalGroupsSequence, own)
}

// pixels is the stored words of n frames from k on, as []uint16 or []byte.
func (w *writer) pixels(k, n int) (any, error) {
	plane := w.Size[0] * w.Size[1]
	offset, low := 0, 0
	if w.Signed {
		offset, low = 32768, -1<<(w.BitsStored-1)
	}
	high := low + 1<<w.BitsStored - 1
	mask := uint16(1<<w.BitsStored - 1)
	shift := w.HighBit + 1 - w.BitsStored
	words := make([]uint16, 0, n*plane)
	for _, from := range w.Order[k : k+n] {
		for _, s := range w.Stored[from*plane : (from+1)*plane] {
			x := int(s) - offset
			if x < low || x > high {
				return nil, fmt.Errorf("slice %d has the stored value %d, which does not fit %d bits (%d to %d)", from+1, x, w.BitsStored, low, high)
			}
			words = append(words, (uint16(x)&mask)<<shift)
		}
	}
	if w.Bytes == 2 {
		return words, nil
	}
	b := make([]byte, len(words))
	for i, x := range words {
		b[i] = byte(x)
	}
	return b, nil
}
