package scan

import (
	"archive/zip"
	"bufio"
	"bytes"
	"compress/flate"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"
)

// The walk over a file's data elements is our own: the library takes memory for
// whatever length an element claims, and gives up at unknown or misplaced value
// representations that say nothing about the voxels. This one reads from a
// stream, keeps only the attributes that a scan needs, checks each length
// against what is left, and stops where the pixels begin (PS3.5 section 7).

const (
	undefinedLength = int64(math.MaxUint32) // PS3.5 7.1.1
	unknownSize     = int64(-1)

	// maxValue bounds one kept value, bytes; longer ones count as absent. None
	// that a scan needs has more, but for those with a number a frame.
	maxValue = 1 << 12
	// maxVector bounds those, bytes: 17 for a decimal string and its backslash
	// (PS3.5 6.2) times maxFrames.
	maxVector = 17 * maxFrames
	// maxItems bounds the kept sequence items of one file: an item and four
	// functional groups for each of maxFrames, or the records of a DICOMDIR.
	maxItems = 6 * maxFrames
	// maxDepth bounds nesting; reports of the deepest kind reach about 20.
	maxDepth = 64
	// maxStreamedHeader bounds what comes before the pixels in a deflated or
	// zipped stream, bytes; a file on disk is bounded by its size.
	maxStreamedHeader = 256 << 20
)

// maxStreamed bounds what comes before the pixels in all streams together, bytes:
// some seconds of unpacking. Headers of scans are a few thousand bytes each.
var maxStreamed int64 = 2 << 30

var (
	errNotDICOM = errors.New("not a DICOM file")
	errArchive  = errors.New("a zip archive")
	errCutShort = errors.New("the file is cut short")
	errUnpack   = errors.New("the file cannot be unpacked, its bytes are damaged; copy it again")
)

// element is one attribute as it stands in the file.
type element struct {
	vr    string // "" where the syntax does not say
	order binary.ByteOrder
	value []byte
	items []dataset
}

// dataset has the kept attributes of a file or of a sequence item.
type dataset map[tag.Tag]element

// encoding is how a dataset is written.
type encoding struct {
	order    binary.ByteOrder
	implicit bool
}

var (
	implicitLittle = encoding{binary.LittleEndian, true}
	explicitLittle = encoding{binary.LittleEndian, false}
	explicitBig    = encoding{binary.BigEndian, false}
)

// header is what comes before the pixels.
type header struct {
	syntax   string // transfer syntax UID; inferred where the file does not say
	data     dataset
	pixels   *pixelElement // nil when the file ends without
	streamed int64         // bytes that were unpacked up to the pixels
}

// pixelElement is where the pixels are.
type pixelElement struct {
	vr     string
	order  binary.ByteOrder
	length int64 // bytes, or undefinedLength when in fragments
	at     int64 // of the first byte of the value, in the file, or in the inflated stream
	size   int64 // of the file or stream, or unknownSize

	deflatedAt int64 // where in the file the deflated stream begins
}

// kept lists the attributes that are kept, at any depth; all others are passed
// over.
var kept = func() map[tag.Tag]bool {
	m := map[tag.Tag]bool{}
	for _, t := range []tag.Tag{
		tag.MediaStorageSOPClassUID, tag.TransferSyntaxUID,
		tag.ReferencedFileID, tag.DirectoryRecordSequence,
		tag.ImageType, tag.SOPInstanceUID, tag.StudyDate, tag.Modality,
		tag.PatientName, tag.PatientID, tag.PatientBirthDate, // compared only, never shown
		tag.SliceThickness, tag.SpacingBetweenSlices, tag.SliceLocationVector,
		tag.SeriesInstanceUID, tag.FrameOfReferenceUID,
		tag.ImagePositionPatient, tag.ImageOrientationPatient,
		tag.SamplesPerPixel, tag.PhotometricInterpretation, tag.NumberOfFrames, tag.FrameIncrementPointer,
		tag.Rows, tag.Columns, tag.PixelSpacing,
		tag.BitsAllocated, tag.BitsStored, tag.HighBit, tag.PixelRepresentation,
		tag.PixelPaddingValue, tag.PixelPaddingRangeLimit,
		tag.RescaleIntercept, tag.RescaleSlope, tag.LossyImageCompression, tag.ModalityLUTSequence,
		tag.SharedFunctionalGroupsSequence, tag.PerFrameFunctionalGroupsSequence,
		tag.PlanePositionSequence, tag.PlaneOrientationSequence,
		tag.PixelMeasuresSequence, tag.PixelValueTransformationSequence,
		tag.ExtendedOffsetTable,
	} {
		m[t] = true
	}
	return m
}()

// keptSequence lists those of the kept attributes whose items are read.
var keptSequence = map[tag.Tag]bool{
	tag.DirectoryRecordSequence:          true,
	tag.ModalityLUTSequence:              true,
	tag.SharedFunctionalGroupsSequence:   true,
	tag.PerFrameFunctionalGroupsSequence: true,
	tag.PlanePositionSequence:            true,
	tag.PlaneOrientationSequence:         true,
	tag.PixelMeasuresSequence:            true,
	tag.PixelValueTransformationSequence: true,
}

// representation is a value representation (PS3.5 6.2), by its two letters.
type representation struct {
	name string
	long bool // it has a 4-byte length (PS3.5 7.1.2)
}

var representations = func() map[string]representation {
	m := map[string]representation{}
	for _, vr := range strings.Fields("OB OD OF OL OV OW SQ SV UC UN UR UT UV") {
		m[vr] = representation{vr, true}
	}
	for _, vr := range strings.Fields("AE AS AT CS DA DS DT FD FL IS LO LT PN SH SL SS ST TM UI UL US") {
		m[vr] = representation{vr, false}
	}
	return m
}()

// readHeader reads a file up to its pixels. size is the length of r in bytes,
// or unknownSize.
//
// Errors: errNotDICOM; errArchive; errCutShort when the file ends inside an element. With
// an error comes what could be read, if anything.
func readHeader(r io.Reader, size int64) (*header, error) {
	w := newWalker(r, size)
	start, err := w.r.Peek(132 + 8)
	if err != nil && err != io.EOF {
		return nil, cutShort(err)
	}
	switch {
	case len(start) >= 132 && string(start[128:132]) == "DICM":
		err = w.skip(132)
	case bytes.HasPrefix(start, []byte("DICM")):
		err = w.skip(4)
	case bytes.HasPrefix(start, []byte(zipMark)):
		return nil, errArchive
	case !plausibleStart(start):
		return nil, errNotDICOM
	default:
		err = nil
	}
	if err != nil {
		return nil, err
	}

	h := &header{data: dataset{}}
	defer func() {
		if _, disk := w.src.(io.Seeker); !disk {
			h.streamed = w.at
		}
	}()
	for {
		b, err := w.r.Peek(2)
		if err != nil || binary.LittleEndian.Uint16(b) != 2 {
			break
		}
		if err := w.element(h.data, explicitLittle, 0); err != nil {
			return h, fmt.Errorf("file meta information: %w", err)
		}
	}
	h.syntax = h.data.identifier(tag.TransferSyntaxUID)

	enc, deflatedAt := explicitLittle, int64(0)
	switch h.syntax {
	case uid.ImplicitVRLittleEndian:
		enc = implicitLittle
	case uid.ExplicitVRBigEndian:
		enc = explicitBig
	case uid.DeflatedExplicitVRLittleEndian:
		deflatedAt = w.at
		w = newWalker(flate.NewReader(w.r), unknownSize)
	}
	if b, _ := w.r.Peek(8); len(b) == 8 {
		seen := sniff(b, enc)
		if h.syntax == "" {
			h.syntax = map[encoding]string{
				implicitLittle: uid.ImplicitVRLittleEndian,
				explicitLittle: uid.ExplicitVRLittleEndian,
				explicitBig:    uid.ExplicitVRBigEndian,
			}[seen]
		}
		enc = seen
	}
	for {
		if _, err := w.r.Peek(1); err == io.EOF {
			if len(h.data) == 0 {
				return h, errNotDICOM
			}
			return h, nil
		}
		err := w.element(h.data, enc, 0)
		if err == nil {
			continue
		}
		if found := (*pixelElement)(nil); errors.As(err, &found) {
			found.deflatedAt = deflatedAt
			h.pixels = found
			return h, nil
		}
		return h, err
	}
}

// plausibleStart tells whether a file with neither preamble nor file meta
// information may still be DICOM: a first element of group 2 or 8 whose length
// is small.
func plausibleStart(b []byte) bool {
	if len(b) < 8 {
		return false
	}
	enc := sniff(b, implicitLittle)
	group := enc.order.Uint16(b)
	if group != 2 && group != 8 || enc.order.Uint16(b[2:]) > 0x0100 {
		return false
	}
	if enc.implicit {
		return enc.order.Uint32(b[4:]) < 1024
	}
	return true
}

// sniff tells from a dataset's first 8 bytes how it is written; where they do
// not say, it is as declared. The first element is of group 2 or 8 in all but
// odd files, which tells the byte order.
func sniff(b []byte, declared encoding) encoding {
	seen := declared
	_, explicit := representations[string(b[4:6])]
	seen.implicit = !explicit
	switch {
	case b[0] == 0 && (b[1] == 2 || b[1] == 8):
		seen.order = binary.BigEndian
	case b[1] == 0 && (b[0] == 2 || b[0] == 8):
		seen.order = binary.LittleEndian
	}
	if seen.implicit && seen.order == binary.BigEndian {
		return declared // there is no such syntax
	}
	return seen
}

// walker reads elements from a stream and counts the bytes.
type walker struct {
	src   io.Reader
	r     *bufio.Reader
	at    int64 // bytes taken so far
	size  int64 // bytes in all, or unknownSize
	items int   // kept so far
	few   [8]byte
}

func newWalker(r io.Reader, size int64) *walker {
	return &walker{src: r, r: bufio.NewReader(r), size: size}
}

// left is the number of bytes up to the end of the enclosing item or file, as
// far as known.
func (w *walker) left() int64 {
	if _, disk := w.src.(io.Seeker); !disk {
		if w.size == unknownSize || w.size > maxStreamedHeader {
			return maxStreamedHeader - w.at
		}
	}
	return w.size - w.at
}

// skip passes over n bytes, by seeking where it can.
func (w *walker) skip(n int64) error {
	w.at += n
	if s, ok := w.src.(io.Seeker); ok && n > int64(w.r.Buffered()) {
		ahead := n - int64(w.r.Buffered())
		if _, err := s.Seek(ahead, io.SeekCurrent); err != nil {
			return err
		}
		w.r.Reset(w.src)
		return nil
	}
	for n > 0 {
		part := min(n, 1<<20)
		if _, err := w.r.Discard(int(part)); err != nil {
			return cutShort(err)
		}
		n -= part
	}
	return nil
}

// take reads n bytes, which the caller has bounded.
func (w *walker) take(n int64) ([]byte, error) { return w.fill(make([]byte, n)) }

// fill reads as many bytes as b has.
func (w *walker) fill(b []byte) ([]byte, error) {
	if _, err := io.ReadFull(w.r, b); err != nil {
		return nil, cutShort(err)
	}
	w.at += int64(len(b))
	return b, nil
}

// cutShort is an error of reading in plain words.
func cutShort(err error) error {
	var corrupt flate.CorruptInputError
	switch {
	case err == io.EOF || err == io.ErrUnexpectedEOF:
		return errCutShort
	case errors.Is(err, zip.ErrChecksum) || errors.As(err, &corrupt):
		return errUnpack
	}
	return err
}

// Error lets the place of the pixels travel up as the reason why the walk
// stopped.
func (p *pixelElement) Error() string { return "pixel data" }

// tagHead reads one element's tag, value representation and length.
func (w *walker) tagHead(enc encoding) (t tag.Tag, vr string, length int64, err error) {
	b, err := w.fill(w.few[:8])
	if err != nil {
		return t, "", 0, err
	}
	t = tag.Tag{Group: enc.order.Uint16(b), Element: enc.order.Uint16(b[2:])}
	if t.Group == 0xFFFE || enc.implicit {
		return t, "", int64(enc.order.Uint32(b[4:])), nil
	}
	known, ok := representations[string(b[4:6])]
	if ok && !known.long {
		return t, known.name, int64(enc.order.Uint16(b[6:])), nil
	}
	if ok || isUpper(b[4]) && isUpper(b[5]) { // future ones are long
		if vr = known.name; !ok {
			vr = string(b[4:6])
		}
		b, err = w.fill(w.few[:4])
		if err != nil {
			return t, vr, 0, err
		}
		return t, vr, int64(enc.order.Uint32(b)), nil
	}
	return t, "", int64(enc.order.Uint32(b[4:])), nil // an implicit element gone astray
}

func isUpper(b byte) bool { return b >= 'A' && b <= 'Z' }

var (
	itemStart     = tag.Tag{Group: 0xFFFE, Element: 0xE000}
	itemEnd       = tag.Tag{Group: 0xFFFE, Element: 0xE00D}
	sequenceEnd   = tag.Tag{Group: 0xFFFE, Element: 0xE0DD}
	errItemEnd    = errors.New("item delimiter")
	errTooManySub = fmt.Errorf("more than %d sequence items", maxItems)
)

// element reads the next element into into, which is nil where nothing is to
// be kept. It returns the pixelElement, as an error, at the pixels of the file
// itself, and errItemEnd at the end of an item of undefined length.
func (w *walker) element(into dataset, enc encoding, depth int) error {
	t, vr, length, err := w.tagHead(enc)
	if err != nil {
		return err
	}
	switch {
	case t == itemEnd && depth > 0:
		return errItemEnd
	case t == sequenceEnd && depth == 0:
		return nil // a stray one after a sequence of stated length
	case t.Group == 0xFFFE:
		return fmt.Errorf("a sequence marker %s where an element was expected at byte %d", t, w.at-8)
	case t == tag.PixelData && depth == 0:
		return &pixelElement{vr: vr, order: enc.order, length: length, at: w.at, size: w.size}
	}
	keep := into != nil && kept[t]
	sequence := vr == "SQ" || length == undefinedLength || keep && keptSequence[t]
	if length != undefinedLength && length > w.left() {
		return fmt.Errorf("%w: element %s claims %d bytes, %d are left", errCutShort, t, length, max(0, w.left()))
	}
	switch {
	case sequence && (length == undefinedLength || keep && keptSequence[t]):
		if vr == "UN" || vr == "" {
			enc = encoding{enc.order, true} // PS3.5 6.2.2, note 2: unknown ones are implicit
			if vr == "UN" {
				enc.order = binary.LittleEndian
			}
		}
		if !keep || !keptSequence[t] {
			return w.sequence(nil, enc, length, depth+1)
		}
		e := element{vr: vr, order: enc.order}
		err := w.sequence(&e.items, enc, length, depth+1)
		into[t] = e
		return err
	case keep && (length <= maxValue || length <= maxVector && (t == tag.SliceLocationVector || t == tag.ExtendedOffsetTable)):
		order := enc.order
		if vr == "UN" {
			order = binary.LittleEndian
		}
		value, err := w.take(length)
		into[t] = element{vr: vr, order: order, value: value}
		return err
	default:
		return w.skip(length)
	}
}

// sequence reads the items of a sequence of the given length; with items nil
// it passes over them.
func (w *walker) sequence(items *[]dataset, enc encoding, length int64, depth int) error {
	if depth > maxDepth {
		return fmt.Errorf("sequences nested more than %d deep", maxDepth)
	}
	end := w.at + length
	for length == undefinedLength || w.at < end {
		t, _, n, err := w.tagHead(enc)
		if err != nil {
			return err
		}
		if t == sequenceEnd && length == undefinedLength {
			return nil
		}
		if t != itemStart {
			return fmt.Errorf("element %s where a sequence item was expected at byte %d", t, w.at-8)
		}
		if n != undefinedLength && n > w.left() {
			return fmt.Errorf("%w: a sequence item claims %d bytes, %d are left", errCutShort, n, max(0, w.left()))
		}
		var into dataset
		if items != nil {
			if w.items++; w.items > maxItems {
				return errTooManySub
			}
			into = dataset{}
		} else if n != undefinedLength {
			if err := w.skip(n); err != nil {
				return err
			}
			continue
		}
		itemStop := w.at + n
		for n == undefinedLength || w.at < itemStop {
			err := w.element(into, enc, depth)
			if err == errItemEnd && n == undefinedLength {
				break
			}
			if err != nil {
				return err
			}
		}
		if n != undefinedLength && w.at > itemStop {
			return fmt.Errorf("a sequence item overruns its %d bytes at byte %d", n, w.at)
		}
		if items != nil {
			*items = append(*items, into)
		}
	}
	if length != undefinedLength && w.at > end {
		return fmt.Errorf("a sequence overruns its %d bytes at byte %d", length, w.at)
	}
	return nil
}
