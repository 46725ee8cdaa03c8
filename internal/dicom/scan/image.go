package scan

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"math"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/dicom/element"
	"plumbline/internal/geom"
)

// image is one file that holds pixels, or should hold some.
type image struct {
	file   *file
	syntax string // transfer syntax UID
	identity
	layout layout
	frames []frame
	frameDistances
	pixelData
	findings
	digests [][sha256.Size]byte // of each frame's stored words, once they were asked for
}

// identity is what an image belongs to.
type identity struct {
	series    string
	reference string // Frame of Reference UID
	sop       string // SOP Instance UID
	date      string // of the study, ISO, or ""
	taken     string // the day on which it was taken, ISO, or ""
	modality  string
	person    [sha256.Size]byte // digest of the patient's name, number and birth date
	who       Identity

	instance, acquisition *int // their numbers, nil where none is stated
}

// pixelData is where an image's voxels are, and which of them are none.
type pixelData struct {
	pixels     *element.Pixels
	extraBytes int64    // after the last voxel
	extended   []uint64 // extended offset table of fragments
	padding    *rawPadding
}

// findings is what is odd about an image, or forbids its use.
type findings struct {
	lossy    bool
	inverted bool   // MONOCHROME1
	notes    []note // decimal commas and the like: said once a volume
	aside    string // why this file is never part of a volume; "" when it may be
	fault    error  // why its pixels or its geometry cannot be used
}

// note is a remark about an attribute.
type note struct{ about, text string }

// frameDistances is how the frames of a file without functional groups follow
// each other.
type frameDistances struct {
	plain     bool      // several frames, and no position for each
	between   float64   // SpacingBetweenSlices, mm; NaN when absent
	thickness float64   // SliceThickness, mm; NaN when absent
	locations []float64 // SliceLocationVector, mm
	inTime    bool      // the frames are moments, not places
}

// layout is how a voxel is written.
type layout struct {
	rows, cols              int
	allocated, stored, high int  // bits
	signed                  bool // two's complement
	bigEndian               bool
	swapped                 bool // 8-bit voxels in big-endian 16-bit words
}

// frameBytes is the size of one uncompressed frame.
func (l layout) frameBytes() int64 { return int64(l.rows) * int64(l.cols) * int64(l.allocated/8) }

// rawPadding is the padding as written: words of the file, sorted.
type rawPadding struct{ low, high uint16 }

// frame is one slice's place and rescale.
type frame struct {
	at                          geom.Vec // centre of the first voxel
	row, col                    geom.Vec // unit directions in which columns and rows count up
	rowSpacing, colSpacing      float64  // between rows, between columns; mm
	slope, intercept            float64
	placed, oriented, noRescale bool
}

// What a header may state; more is taken for damage. Scans of a jaw are far below.
const (
	maxSide   = 16384 // rows or columns; detectors reach about 4000
	maxFrames = 16384 // of one file; 0.075 mm over 300 mm are 4000
)

// Spacings outside these bounds are no scan of a jaw, mm. Micro-CT ends near
// the lower one, body CT slices near the upper one.
const (
	minSpacing = 0.001
	maxSpacing = 50
	maxAway    = 1e5 // of a position from the origin; a couch is 2000 mm long
)

// maxRescale bounds slope and intercept, so that grey values stay finite as
// 32-bit floats. Slopes of up to 100 and intercepts of some −10 000 are known.
const maxRescale = 1e9

// newImage reads the attributes of a file. It returns nil for DICOM files that
// hold no image at all.
func newImage(f *file, h *element.File) *image {
	d := h.Data
	if !d.Has(tag.Rows) && !d.Has(tag.Columns) && h.Pixels == nil {
		return nil
	}
	g := &image{
		file: f, syntax: h.Syntax, pixelData: pixelData{pixels: h.Pixels},
		identity: identity{
			series: d.Identifier(tag.SeriesInstanceUID), reference: d.Identifier(tag.FrameOfReferenceUID), sop: d.Identifier(tag.SOPInstanceUID),
			date: isoDate(d.Text(tag.StudyDate)), taken: dateTaken(d), who: identityOf(d), modality: codeString(d.Text(tag.Modality)),
			person: sha256.Sum256([]byte(d.Text(tag.PatientID) + "\x00" + d.Text(tag.PatientName) + "\x00" + d.Text(tag.PatientBirthDate))),
		},
	}
	g.instance, g.acquisition = integer(d.Text(tag.InstanceNumber)), integer(d.Text(tag.AcquisitionNumber))
	g.inverted = d.Text(tag.PhotometricInterpretation) == "MONOCHROME1"
	g.lossy = d.Text(tag.LossyImageCompression) == "01"
	g.aside = g.reasonAside(d)
	if g.aside != "" {
		return g
	}
	for _, step := range []func(element.Dataset) error{g.readLayout, g.readFrameAttributes, g.checkPixels, g.readPadding, checkNoTable} {
		if err := step(d); err != nil {
			g.fault, g.frames = err, nil
			return g
		}
	}
	return g
}

// isoDate turns a DICOM date, YYYYMMDD, into an ISO one; "" when it is none.
func isoDate(s string) string {
	if len(s) != 8 || strings.Trim(s, "0123456789") != "" {
		return ""
	}
	return s[:4] + "-" + s[4:6] + "-" + s[6:]
}

// firstDate is the earliest day that a scan may be of: cone-beam scanners for the jaws
// came in the late 1990s (from memory). An earlier one stands for none, as programs that
// take names out of scans write it.
const firstDate = "1990-01-01"

// dateTaken is the day on which an image was taken: of its acquisition, else of its
// series, else of its study; "" where none is stated.
func dateTaken(d element.Dataset) string {
	for _, t := range []tag.Tag{tag.AcquisitionDate, tag.SeriesDate, tag.StudyDate} {
		if day := isoDate(d.Text(t)); day >= firstDate {
			return day
		}
	}
	return ""
}

// notTomography names modalities whose grey values do not rise with X-ray
// attenuation, or that are no images of the body; metal would be sought in vain
// or found wrongly.
var notTomography = map[string]string{
	"MR": "magnetic resonance", "PT": "positron emission", "NM": "nuclear medicine", "US": "ultrasound",
	"OPT": "optical", "OCT": "optical", "SEG": "a segmentation", "RTDOSE": "a dose distribution",
	"RTIMAGE": "a portal image", "SR": "a report", "PR": "a presentation", "KO": "a selection",
	"XC": "a photograph", "GM": "a microscope image", "SM": "a microscope image", "ES": "an endoscope image",
	"ECG": "a curve", "M3D": "a model", "DOC": "a document",
}

// reasonAside is why an image is never a slice of a volume.
func (g *image) reasonAside(d element.Dataset) string {
	if why, ok := notTomography[g.modality]; ok {
		return "is " + why + ", not computed tomography"
	}
	if n, ok, err := d.Integer(tag.SamplesPerPixel); err == nil && ok && n != 1 {
		return "is a colour picture"
	}
	switch p := d.Text(tag.PhotometricInterpretation); p {
	case "", "MONOCHROME1", "MONOCHROME2":
	default:
		return "is a colour picture"
	}
	for _, k := range d.Values(tag.ImageType) {
		if strings.EqualFold(k, "LOCALIZER") {
			return "is a scout image"
		}
	}
	return ""
}

// readLayout reads how voxels are written.
func (g *image) readLayout(d element.Dataset) error {
	need := func(t tag.Tag, low, high int) (int, error) {
		n, ok, err := d.Integer(t)
		if err != nil {
			return 0, err
		}
		if !ok {
			return 0, fmt.Errorf("%s is missing", element.Name(t))
		}
		if n < low || n > high {
			return 0, fmt.Errorf("%s is %d, expected %d to %d", element.Name(t), n, low, high)
		}
		return n, nil
	}
	l := &g.layout
	for _, a := range []struct {
		to        *int
		t         tag.Tag
		low, high int
	}{
		{&l.rows, tag.Rows, 1, maxSide},
		{&l.cols, tag.Columns, 1, maxSide},
		{&l.allocated, tag.BitsAllocated, 1, 64},
		{&l.stored, tag.BitsStored, 1, 64},
	} {
		n, err := need(a.t, a.low, a.high)
		if err != nil {
			return err
		}
		*a.to = n
	}
	l.high = l.stored - 1
	if d.Has(tag.HighBit) {
		n, err := need(tag.HighBit, 0, 63)
		if err != nil {
			return err
		}
		l.high = n
	}
	sign, err := need(tag.PixelRepresentation, 0, 1)
	if err != nil {
		return err
	}
	l.signed = sign == 1
	if l.allocated != 8 && l.allocated != 16 {
		return fmt.Errorf("voxels of %d bits are not read, expected %s 8 or 16", l.allocated, element.Name(tag.BitsAllocated))
	}
	if l.stored > l.allocated || l.high >= l.allocated || l.high < l.stored-1 {
		return fmt.Errorf("a voxel layout that does not exist: %d bits allocated, %d stored, high bit %d", l.allocated, l.stored, l.high)
	}
	return nil
}

// readFrameAttributes reads each frame's place and rescale: from its own functional
// groups, from the shared ones, or from the top level (PS3.3 C.7.6.16).
func (g *image) readFrameAttributes(d element.Dataset) error {
	n, ok, err := d.Integer(tag.NumberOfFrames)
	if err != nil {
		return err
	}
	if !ok {
		n = 1
	}
	if n < 1 || n > maxFrames {
		return fmt.Errorf("%s is %d, expected 1 to %d", element.Name(tag.NumberOfFrames), n, maxFrames)
	}
	if err := g.checkFrameCount(n); err != nil {
		return err
	}
	var shared element.Dataset
	if items := d[tag.SharedFunctionalGroupsSequence].Items; len(items) > 0 {
		shared = items[0]
	}
	own := d[tag.PerFrameFunctionalGroupsSequence].Items
	if len(own) > 0 && len(own) != n {
		return fmt.Errorf("%s is %d, but there are functional groups for %s", element.Name(tag.NumberOfFrames), n, plural(len(own), "frame"))
	}
	g.plain = n > 1
	for i, group := range own {
		placed := group.Has(tag.PlanePositionSequence)
		g.plain = g.plain && !placed
		if n > 1 && placed != own[0].Has(tag.PlanePositionSequence) {
			return fmt.Errorf("only some of its frames have a position (%s), frame %d and frame 1 differ", element.Name(tag.PlanePositionSequence), i+1)
		}
	}
	top, err := g.readOneFrame(frame{}, []element.Dataset{shared, d}, d)
	if err != nil {
		return err
	}
	g.frames = make([]frame, n)
	for i := range g.frames {
		g.frames[i] = top
		if len(own) > 0 {
			g.noteConflict(shared, own[i])
			if g.frames[i], err = g.readOneFrame(top, []element.Dataset{own[i]}, nil); err != nil {
				return fmt.Errorf("frame %d: %w", i+1, err)
			}
		}
	}
	if g.plain {
		return g.readFrameDistances(shared, d, n)
	}
	return nil
}

// checkFrameCount refuses a number of frames that the file is too small for, before
// memory is taken for them: they need their voxels, or an item tag each.
func (g *image) checkFrameCount(frames int) error {
	most, each := g.file.size, int64(8)
	if nativeSyntax[g.syntax] {
		each = g.layout.frameBytes()
		if g.syntax == uid.DeflatedExplicitVRLittleEndian {
			most *= deflateRatio
		}
	}
	if want := each * int64(frames); frames > 1 && want > most {
		return fmt.Errorf("%w: %d bytes are too few for %s of %d × %d voxels", element.ErrCutShort, g.file.size, plural(frames, "frame"), g.layout.cols, g.layout.rows)
	}
	return nil
}

// noteConflict notes functional groups that are shared and a frame's own at
// once; then its own is used.
func (g *image) noteConflict(shared, own element.Dataset) {
	for _, t := range []tag.Tag{tag.PlanePositionSequence, tag.PlaneOrientationSequence, tag.PixelMeasuresSequence, tag.PixelValueTransformationSequence} {
		if shared.Has(t) && own.Has(t) {
			g.note(t, "%s stands both for all frames and for each; each frame's own was used", element.Name(t))
		}
	}
}

// checkNoTable refuses grey values that go through a table instead of a rescale.
func checkNoTable(d element.Dataset) error {
	if d.Has(tag.ModalityLUTSequence) && !d.Has(tag.RescaleSlope) {
		return fmt.Errorf("its grey values go through a table (%s), which is not read", element.Name(tag.ModalityLUTSequence))
	}
	return nil
}

// readOneFrame reads a frame's attributes from the first of the groups that has
// them; what none has stays as in base. plain is the dataset whose attributes
// stand at the top level, not in functional groups.
func (g *image) readOneFrame(base frame, groups []element.Dataset, plain element.Dataset) (frame, error) {
	f := base
	first := func(sequence, t tag.Tag) element.Dataset {
		for _, group := range groups {
			if items := group[sequence].Items; len(items) > 0 && items[0].Has(t) {
				return items[0]
			}
		}
		if plain.Has(t) {
			return plain
		}
		return nil
	}
	read := func(sequence, t tag.Tag, n int) ([]float64, bool, error) {
		x, comma, ok, err := first(sequence, t).Decimals(t, n)
		if comma {
			g.note(t, "%s is written with decimal commas and was read as %v", element.Name(t), x)
		}
		return x, ok, err
	}
	x, ok, err := read(tag.PlanePositionSequence, tag.ImagePositionPatient, 3)
	if err != nil {
		return f, err
	}
	if ok {
		f.at, f.placed = geom.Vec{X: x[0], Y: x[1], Z: x[2]}, true
		for _, c := range x {
			if math.Abs(c) > maxAway {
				return f, fmt.Errorf("%s is %v mm, expected no more than %g from the origin", element.Name(tag.ImagePositionPatient), x, float64(maxAway))
			}
		}
	}
	if x, ok, err = read(tag.PlaneOrientationSequence, tag.ImageOrientationPatient, 6); err != nil {
		return f, err
	}
	if ok {
		f.row, f.col, err = orthonormal(geom.Vec{X: x[0], Y: x[1], Z: x[2]}, geom.Vec{X: x[3], Y: x[4], Z: x[5]})
		if err != nil {
			return f, fmt.Errorf("%s %v: %w", element.Name(tag.ImageOrientationPatient), x, err)
		}
		f.oriented = true
	}
	if x, ok, err = read(tag.PixelMeasuresSequence, tag.PixelSpacing, 2); err != nil {
		return f, err
	}
	if ok {
		f.rowSpacing, f.colSpacing = x[0], x[1] // PS3.3 10.7.1.3: first between rows
		for _, s := range x {
			if !(s >= minSpacing && s <= maxSpacing) {
				return f, fmt.Errorf("%s is %v mm, expected %g to %g", element.Name(tag.PixelSpacing), x, minSpacing, float64(maxSpacing))
			}
		}
	}
	return f, g.readRescale(&f, base, read)
}

// readRescale reads slope and intercept; a missing one is 1 or 0.
func (g *image) readRescale(f *frame, base frame, read func(sequence, t tag.Tag, n int) ([]float64, bool, error)) error {
	slope, hasSlope, err := read(tag.PixelValueTransformationSequence, tag.RescaleSlope, 1)
	if err != nil {
		return err
	}
	intercept, hasIntercept, err := read(tag.PixelValueTransformationSequence, tag.RescaleIntercept, 1)
	if err != nil {
		return err
	}
	if !hasSlope && !hasIntercept && base.slope != 0 {
		return nil // as the shared groups have it
	}
	f.slope, f.intercept, f.noRescale = 1, 0, !hasSlope || !hasIntercept
	if hasIntercept {
		f.intercept = intercept[0]
		if math.Abs(f.intercept) > maxRescale {
			return fmt.Errorf("%s is %g, expected no more than %g", element.Name(tag.RescaleIntercept), f.intercept, float64(maxRescale))
		}
	}
	if hasSlope {
		f.slope = slope[0]
		if f.slope == 0 {
			return fmt.Errorf("%s is 0, so all grey values are lost", element.Name(tag.RescaleSlope))
		}
		if s := math.Abs(f.slope); s > maxRescale || s < 1/maxRescale {
			return fmt.Errorf("%s is %g, expected %g to %g", element.Name(tag.RescaleSlope), f.slope, 1/maxRescale, float64(maxRescale))
		}
	}
	return nil
}

// maxSlant is how far an image orientation may be from two perpendicular unit
// vectors: three printed decimals pass.
const maxSlant = 1e-3

// orthonormal makes the directions of rows and columns exactly perpendicular
// unit vectors, sharing the error between both.
func orthonormal(row, col geom.Vec) (geom.Vec, geom.Vec, error) {
	if math.Abs(r3.Norm(row)-1) > maxSlant || math.Abs(r3.Norm(col)-1) > maxSlant {
		return row, col, fmt.Errorf("the directions are not of length 1")
	}
	row, col = r3.Unit(row), r3.Unit(col)
	if d := r3.Dot(row, col); math.Abs(d) > maxSlant {
		return row, col, fmt.Errorf("the directions of rows and columns are not perpendicular")
	}
	mid, off := r3.Unit(r3.Add(row, col)), r3.Unit(r3.Sub(row, col))
	return r3.Scale(math.Sqrt2/2, r3.Add(mid, off)), r3.Scale(math.Sqrt2/2, r3.Sub(mid, off)), nil
}

// readFrameDistances reads what a multi-frame file without functional groups says of
// the distance between its frames.
func (g *image) readFrameDistances(shared, d element.Dataset, n int) error {
	measures := d
	if items := shared[tag.PixelMeasuresSequence].Items; len(items) > 0 {
		measures = items[0]
	}
	one := func(t tag.Tag) float64 {
		if x, _, ok, err := measures.Decimals(t, 1); err == nil && ok {
			return x[0]
		}
		return math.NaN()
	}
	g.between, g.thickness = one(tag.SpacingBetweenSlices), one(tag.SliceThickness)
	if next, ok := d.Pointer(tag.FrameIncrementPointer); ok {
		g.inTime = next == tag.FrameTime || next == tag.FrameTimeVector
	}
	if d.Has(tag.SliceLocationVector) {
		x, _, _, err := d.Decimals(tag.SliceLocationVector, n)
		if err != nil {
			return err
		}
		g.locations = x
	}
	return nil
}

// checkPixels holds the pixels that are there against those that there should
// be, before any memory is taken for them.
func (g *image) checkPixels(d element.Dataset) error {
	p := g.pixels
	if p == nil {
		return fmt.Errorf("%w: it has no pixels", element.ErrCutShort)
	}
	g.layout.bigEndian = p.Order == binary.BigEndian
	g.layout.swapped = g.layout.bigEndian && g.layout.allocated == 8 && p.VR == "OW" // PS3.5 8.1.2, A.3
	if !nativeSyntax[g.syntax] {
		if !p.Fragmented {
			return fmt.Errorf("the pixels are said to be compressed (%s) but are not in fragments", syntaxName(g.syntax))
		}
		return g.readExtendedTable(d)
	}
	if p.Fragmented {
		return fmt.Errorf("the pixels are said to be uncompressed (%s) but are in fragments", syntaxName(g.syntax))
	}
	if g.layout.swapped && g.layout.rows*g.layout.cols%2 == 1 {
		return fmt.Errorf("it has an odd number of 8-bit voxels in big-endian words, which is not read")
	}
	want := g.layout.frameBytes() * int64(len(g.frames))
	if p.Size != element.UnknownSize && p.Length > p.Size-p.Offset {
		return fmt.Errorf("%w: %d of %d bytes of pixels are there", element.ErrCutShort, p.Size-p.Offset, p.Length)
	}
	if p.Length < want {
		return fmt.Errorf("it has %d bytes of pixels, expected %d for %d × %d voxels in %s", p.Length, want, g.layout.cols, g.layout.rows, plural(len(g.frames), "frame"))
	}
	if g.extraBytes = p.Length - want; g.extraBytes == want&1 {
		g.extraBytes = 0 // padded to an even length
	}
	return nil
}

// readPadding reads the words that mean "outside".
func (g *image) readPadding(d element.Dataset) error {
	low, ok, err := d.Integer(tag.PixelPaddingValue)
	if err != nil || !ok {
		return err
	}
	high := low
	if n, ok, err := d.Integer(tag.PixelPaddingRangeLimit); err != nil {
		return err
	} else if ok {
		high = n
	}
	a, b := uint16(low), uint16(high)
	if flip := g.layout.signFlip(); a^flip > b^flip {
		a, b = b, a
	}
	g.padding = &rawPadding{low: a, high: b}
	return nil
}

// note keeps the first remark of each kind about an attribute.
func (g *image) note(t tag.Tag, format string, args ...any) {
	about := t.String() + format
	for _, n := range g.notes {
		if n.about == about {
			return
		}
	}
	g.notes = append(g.notes, note{about, fmt.Sprintf(format, args...)})
}
