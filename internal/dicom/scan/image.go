package scan

import (
	"crypto/sha256"
	"fmt"
	"math"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// image is one file that holds pixels, or says that it does.
type image struct {
	file      *file
	syntax    string // transfer syntax UID
	series    string
	reference string // Frame of Reference UID
	sop       string // SOP Instance UID
	date      string // ISO, or ""
	what      string // modality
	person    [sha256.Size]byte

	layout layout
	frames []frame
	pixels *pixelElement
	vectors
	lossy      bool
	inverted   bool // MONOCHROME1
	padding    *rawPadding
	notes      []note   // decimal commas and the like: said once a volume
	aside      string   // why this file is never part of a volume; "" when it may be
	fault      error    // why its pixels or its geometry cannot be used
	extraBytes int64    // after the last voxel
	extended   []uint64 // extended offset table
	digests    [][sha256.Size]byte
}

// note is a remark about an attribute.
type note struct{ about, text string }

// vectors tells how the frames of a file without functional groups follow each
// other.
type vectors struct {
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

// Most files of a scan are far below these; they bound what is taken on trust.
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
func newImage(f *file, h *header) *image {
	d := h.data
	if !d.has(tag.Rows) && !d.has(tag.Columns) && h.pixels == nil {
		return nil
	}
	g := &image{
		file: f, syntax: h.syntax, pixels: h.pixels,
		series: d.identifier(tag.SeriesInstanceUID), reference: d.identifier(tag.FrameOfReferenceUID), sop: d.identifier(tag.SOPInstanceUID),
		date: isoDate(d.text(tag.StudyDate)), what: code(d.text(tag.Modality)),
	}
	g.person = sha256.Sum256([]byte(d.text(tag.PatientID) + "\x00" + d.text(tag.PatientName) + "\x00" + d.text(tag.PatientBirthDate)))
	g.inverted = d.text(tag.PhotometricInterpretation) == "MONOCHROME1"
	g.lossy = d.text(tag.LossyImageCompression) == "01"
	g.aside = g.reasonAside(d)
	if g.aside != "" {
		return g
	}
	for _, step := range []func(dataset) error{g.readLayout, g.readFrames, g.checkPixels, g.readPadding, checkTable} {
		if err := step(d); err != nil {
			g.fault, g.frames = err, nil
			return g
		}
	}
	return g
}

// isoDate turns a DICOM date into an ISO one; "" when it is none.
func isoDate(s string) string {
	if len(s) != 8 || strings.Trim(s, "0123456789") != "" {
		return ""
	}
	return s[:4] + "-" + s[4:6] + "-" + s[6:]
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

// reasonAside tells why an image is never a slice of a volume.
func (g *image) reasonAside(d dataset) string {
	if why, ok := notTomography[g.what]; ok {
		return "is " + why + ", not computed tomography"
	}
	if n, ok, err := d.integer(tag.SamplesPerPixel); err == nil && ok && n != 1 {
		return "is a colour picture"
	}
	switch p := d.text(tag.PhotometricInterpretation); p {
	case "", "MONOCHROME1", "MONOCHROME2":
	default:
		return "is a colour picture"
	}
	for _, k := range d.values(tag.ImageType) {
		if strings.EqualFold(k, "LOCALIZER") {
			return "is a scout image"
		}
	}
	return ""
}

// readLayout reads how voxels are written.
func (g *image) readLayout(d dataset) error {
	need := func(t tag.Tag, low, high int) (int, error) {
		n, ok, err := d.integer(t)
		if err != nil {
			return 0, err
		}
		if !ok {
			return 0, fmt.Errorf("%s is missing", name(t))
		}
		if n < low || n > high {
			return 0, fmt.Errorf("%s is %d, expected %d to %d", name(t), n, low, high)
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
	if d.has(tag.HighBit) {
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
		return fmt.Errorf("voxels of %d bits are not read, expected %s 8 or 16", l.allocated, name(tag.BitsAllocated))
	}
	if l.stored > l.allocated || l.high >= l.allocated || l.high < l.stored-1 {
		return fmt.Errorf("a voxel layout that does not exist: %d bits allocated, %d stored, high bit %d", l.allocated, l.stored, l.high)
	}
	return nil
}

// readFrames reads each frame's place and rescale: from its own functional
// groups, from the shared ones, or from the top level (PS3.3 C.7.6.16).
func (g *image) readFrames(d dataset) error {
	n, ok, err := d.integer(tag.NumberOfFrames)
	if err != nil {
		return err
	}
	if !ok {
		n = 1
	}
	if n < 1 || n > maxFrames {
		return fmt.Errorf("%s is %d, expected 1 to %d", name(tag.NumberOfFrames), n, maxFrames)
	}
	if err := g.checkSize(n); err != nil {
		return err
	}
	var shared dataset
	if items := d[tag.SharedFunctionalGroupsSequence].items; len(items) > 0 {
		shared = items[0]
	}
	own := d[tag.PerFrameFunctionalGroupsSequence].items
	if len(own) > 0 && len(own) != n {
		return fmt.Errorf("%s is %d, but there are functional groups for %s", name(tag.NumberOfFrames), n, plural(len(own), "frame"))
	}
	g.plain = n > 1
	for i, group := range own {
		placed := group.has(tag.PlanePositionSequence)
		g.plain = g.plain && !placed
		if n > 1 && placed != own[0].has(tag.PlanePositionSequence) {
			return fmt.Errorf("only some of its frames have a position (%s), frame %d and frame 1 differ", name(tag.PlanePositionSequence), i+1)
		}
	}
	top, err := g.readFrame(frame{}, []dataset{shared, d}, d)
	if err != nil {
		return err
	}
	g.frames = make([]frame, n)
	for i := range g.frames {
		g.frames[i] = top
		if len(own) > 0 {
			g.checkConflict(shared, own[i])
			if g.frames[i], err = g.readFrame(top, []dataset{own[i]}, nil); err != nil {
				return fmt.Errorf("frame %d: %w", i+1, err)
			}
		}
	}
	if g.plain {
		return g.readVectors(shared, d, n)
	}
	return nil
}

// checkSize refuses a number of frames that the file is too small for, before
// memory is taken for them: they need their voxels, or an item tag each.
func (g *image) checkSize(frames int) error {
	most, each := g.file.size, int64(8)
	if nativeSyntax[g.syntax] {
		each = g.layout.frameBytes()
		if g.syntax == uid.DeflatedExplicitVRLittleEndian {
			most *= deflateRatio
		}
	}
	if want := each * int64(frames); frames > 1 && want > most {
		return fmt.Errorf("%w: %d bytes are too few for %s of %d × %d voxels", errCutShort, g.file.size, plural(frames, "frame"), g.layout.cols, g.layout.rows)
	}
	return nil
}

// checkConflict notes functional groups that are shared and a frame's own at
// once; then its own is used.
func (g *image) checkConflict(shared, own dataset) {
	for _, t := range []tag.Tag{tag.PlanePositionSequence, tag.PlaneOrientationSequence, tag.PixelMeasuresSequence, tag.PixelValueTransformationSequence} {
		if shared.has(t) && own.has(t) {
			g.note(t, "%s stands both for all frames and for each; each frame's own was used", name(t))
		}
	}
}

// checkTable refuses grey values that go through a table instead of a rescale.
func checkTable(d dataset) error {
	if d.has(tag.ModalityLUTSequence) && !d.has(tag.RescaleSlope) {
		return fmt.Errorf("its grey values go through a table (%s), which is not read", name(tag.ModalityLUTSequence))
	}
	return nil
}

// readFrame reads a frame's attributes from the first of the groups that has
// them; what none has stays as in base. plain is the dataset whose attributes
// stand at the top level, not in functional groups.
func (g *image) readFrame(base frame, groups []dataset, plain dataset) (frame, error) {
	f := base
	first := func(sequence, t tag.Tag) dataset {
		for _, group := range groups {
			if items := group[sequence].items; len(items) > 0 && items[0].has(t) {
				return items[0]
			}
		}
		if plain.has(t) {
			return plain
		}
		return nil
	}
	read := func(sequence, t tag.Tag, n int) ([]float64, bool, error) {
		x, comma, ok, err := first(sequence, t).decimals(t, n)
		if comma {
			g.note(t, "%s is written with decimal commas and was read as %v", name(t), x)
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
				return f, fmt.Errorf("%s is %v mm, expected no more than %g from the origin", name(tag.ImagePositionPatient), x, float64(maxAway))
			}
		}
	}
	if x, ok, err = read(tag.PlaneOrientationSequence, tag.ImageOrientationPatient, 6); err != nil {
		return f, err
	}
	if ok {
		f.row, f.col, err = orthonormal(geom.Vec{X: x[0], Y: x[1], Z: x[2]}, geom.Vec{X: x[3], Y: x[4], Z: x[5]})
		if err != nil {
			return f, fmt.Errorf("%s %v: %w", name(tag.ImageOrientationPatient), x, err)
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
				return f, fmt.Errorf("%s is %v mm, expected %g to %g", name(tag.PixelSpacing), x, minSpacing, float64(maxSpacing))
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
			return fmt.Errorf("%s is %g, expected no more than %g", name(tag.RescaleIntercept), f.intercept, float64(maxRescale))
		}
	}
	if hasSlope {
		f.slope = slope[0]
		if f.slope == 0 {
			return fmt.Errorf("%s is 0, so all grey values are lost", name(tag.RescaleSlope))
		}
		if s := math.Abs(f.slope); s > maxRescale || s < 1/maxRescale {
			return fmt.Errorf("%s is %g, expected %g to %g", name(tag.RescaleSlope), f.slope, 1/maxRescale, float64(maxRescale))
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

// readVectors reads what a multi-frame file without functional groups says of
// the distance between its frames.
func (g *image) readVectors(shared, d dataset, n int) error {
	measures := d
	if items := shared[tag.PixelMeasuresSequence].items; len(items) > 0 {
		measures = items[0]
	}
	one := func(t tag.Tag) float64 {
		if x, _, ok, err := measures.decimals(t, 1); err == nil && ok {
			return x[0]
		}
		return math.NaN()
	}
	g.between, g.thickness = one(tag.SpacingBetweenSlices), one(tag.SliceThickness)
	if e := d[tag.FrameIncrementPointer]; len(e.value) >= 4 {
		next := tag.Tag{Group: e.order.Uint16(e.value), Element: e.order.Uint16(e.value[2:])}
		g.inTime = next == tag.FrameTime || next == tag.FrameTimeVector
	}
	if d.has(tag.SliceLocationVector) {
		x, _, _, err := d.decimals(tag.SliceLocationVector, n)
		if err != nil {
			return err
		}
		g.locations = x
	}
	return nil
}

// checkPixels holds the pixels that are there against those that there should
// be, before any memory is taken for them.
func (g *image) checkPixels(d dataset) error {
	p := g.pixels
	if p == nil {
		return fmt.Errorf("%w: it has no pixels", errCutShort)
	}
	g.layout.bigEndian = p.order.String() == "BigEndian"
	g.layout.swapped = g.layout.bigEndian && g.layout.allocated == 8 && p.vr == "OW" // PS3.5 8.1.2, A.3
	if !nativeSyntax[g.syntax] {
		if p.length != undefinedLength {
			return fmt.Errorf("the pixels are said to be compressed (%s) but are not in fragments", syntaxName(g.syntax))
		}
		return g.readExtendedTable(d)
	}
	if p.length == undefinedLength {
		return fmt.Errorf("the pixels are said to be uncompressed (%s) but are in fragments", syntaxName(g.syntax))
	}
	if g.layout.swapped && g.layout.rows*g.layout.cols%2 == 1 {
		return fmt.Errorf("it has an odd number of 8-bit voxels in big-endian words, which is not read")
	}
	want := g.layout.frameBytes() * int64(len(g.frames))
	if p.size != unknownSize && p.length > p.size-p.at {
		return fmt.Errorf("%w: %d of %d bytes of pixels are there", errCutShort, p.size-p.at, p.length)
	}
	if p.length < want {
		return fmt.Errorf("it has %d bytes of pixels, expected %d for %d × %d voxels in %s", p.length, want, g.layout.cols, g.layout.rows, plural(len(g.frames), "frame"))
	}
	if g.extraBytes = p.length - want; g.extraBytes == want&1 {
		g.extraBytes = 0 // padded to an even length
	}
	return nil
}

// readPadding reads the words that mean "outside".
func (g *image) readPadding(d dataset) error {
	low, ok, err := d.integer(tag.PixelPaddingValue)
	if err != nil || !ok {
		return err
	}
	high := low
	if n, ok, err := d.integer(tag.PixelPaddingRangeLimit); err != nil {
		return err
	} else if ok {
		high = n
	}
	a, b := uint16(low), uint16(high)
	if flip := g.layout.flip(); a^flip > b^flip {
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
