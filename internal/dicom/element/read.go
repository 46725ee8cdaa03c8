package element

import (
	"archive/zip"
	"bufio"
	"bytes"
	"compress/flate"
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"
)

const (
	preambleLength = 128    // PS3.10 7.1, bytes
	dicomMark      = "DICM" // behind the preamble

	// maxSyntax bounds the transfer syntax UID, bytes, for messages about one that
	// is too long; a UID has 64 (PS3.5 9.1).
	maxSyntax = 1 << 12
	// maxDepth bounds nesting; reports of the deepest kind reach about 20.
	maxDepth = 64
	// maxStreamedHeader bounds what comes before the pixels in a deflated or
	// zipped stream, bytes; a file on disk is bounded by its size.
	maxStreamedHeader = 256 << 20
)

// ZipMark begins every zip archive with files in it.
const ZipMark = "PK\x03\x04"

// UnknownSize is the size of a stream of unknown length.
const UnknownSize = int64(-1)

var (
	ErrNotDICOM = errors.New("not a DICOM file")
	ErrArchive  = errors.New("a zip archive")
	ErrCutShort = errors.New("the file is cut short")
	ErrUnpack   = errors.New("the file cannot be unpacked, its bytes are damaged; copy it again")
)

// Selection says what is kept of a file besides its transfer syntax; all else is
// passed over.
type Selection struct {
	// Longest has the attributes that are kept, at any depth of nesting, each
	// with the most bytes that its value may have: longer ones count as absent.
	// Items keeps a sequence, whose items are read.
	Longest map[tag.Tag]int64
	// MaxItems bounds the kept sequence items of one file.
	MaxItems int
}

// Items is the entry of a sequence in Selection.Longest.
const Items = int64(-1)

// keeps reports whether an attribute is kept, and whether as a sequence.
func (s *Selection) keeps(t tag.Tag) (keep, sequence bool, longest int64) {
	if t == tag.TransferSyntaxUID {
		return true, false, maxSyntax
	}
	longest, keep = s.Longest[t]
	return keep, longest == Items, longest
}

// File is what comes before the pixels.
type File struct {
	Syntax   string // transfer syntax UID; inferred where the file does not say
	Data     Dataset
	Pixels   *Pixels // nil when the file ends without
	Unpacked int64   // bytes that were read of a stream that cannot seek, up to the pixels
}

// Pixels is where the value of the pixel data is.
type Pixels struct {
	VR         string
	Order      binary.ByteOrder
	Length     int64 // bytes; meaningless for fragments
	Fragmented bool  // the value is encapsulated: a sequence of fragments of undefined length
	Offset     int64 // of the first byte of the value, in the file, or in the inflated stream
	Size       int64 // of the file or stream, bytes, or UnknownSize

	DeflatedAt int64 // where in the file the deflated stream begins; 0 when there is none
}

// Read reads a file up to its pixels. Where r is an io.Seeker, what is not kept
// is passed over by seeking.
//
// In: size is the length of r in bytes, or UnknownSize.
//
// Errors: ErrNotDICOM; ErrArchive; ErrCutShort when the file ends inside an
// element; ErrUnpack. With an error comes what could be read, if anything.
func Read(r io.Reader, size int64, keep Selection) (*File, error) {
	in := newReader(r, size, keep)
	if err := in.skipPreamble(); err != nil {
		return nil, err
	}
	f := &File{Data: Dataset{}}
	err := in.meta(f.Data)
	if err == nil {
		f.Syntax = f.Data.Identifier(tag.TransferSyntaxUID)
		deflatedAt := int64(0)
		if f.Syntax == uid.DeflatedExplicitVRLittleEndian {
			deflatedAt = in.at
			in = newReader(flate.NewReader(in.r), UnknownSize, keep)
		}
		f.Pixels, err = in.body(f)
		if f.Pixels != nil {
			f.Pixels.DeflatedAt = deflatedAt
		}
	}
	if !in.seeks {
		f.Unpacked = in.at
	}
	return f, err
}

// Is reports whether a file begins as DICOM does, with or without its preamble.
func Is(in io.Reader) bool {
	start := make([]byte, preambleLength+len(dicomMark)+8)
	n, err := io.ReadFull(in, start)
	if err != nil && err != io.ErrUnexpectedEOF {
		return false
	}
	return newReader(bytes.NewReader(start[:n]), int64(n), Selection{}).skipPreamble() == nil
}

// skipPreamble moves to the first element: behind the preamble and its mark,
// behind the mark alone, or to the start of a file with neither.
func (r *reader) skipPreamble() error {
	start, err := r.r.Peek(preambleLength + len(dicomMark) + 8)
	if err != nil && err != io.EOF {
		return ReadError(err)
	}
	switch {
	case len(start) >= preambleLength && bytes.HasPrefix(start[preambleLength:], []byte(dicomMark)):
		return r.skip(int64(preambleLength + len(dicomMark)))
	case bytes.HasPrefix(start, []byte(dicomMark)):
		return r.skip(int64(len(dicomMark)))
	case bytes.HasPrefix(start, []byte(ZipMark)):
		return ErrArchive
	case !plausibleStart(start):
		return ErrNotDICOM
	}
	return nil
}

// meta reads the file meta information (PS3.10 7.1): the elements of group 2.
func (r *reader) meta(into Dataset) error {
	for {
		b, err := r.r.Peek(2)
		if err != nil || binary.LittleEndian.Uint16(b) != 2 {
			return nil
		}
		if _, err := r.element(into, explicitLittle, 0); err != nil {
			return fmt.Errorf("file meta information: %w", err)
		}
	}
}

// body reads the dataset up to the pixels, and corrects the syntax that the meta
// information declares by what the dataset's first bytes show.
func (r *reader) body(f *File) (*Pixels, error) {
	enc := encodingOf(f.Syntax)
	if b, _ := r.r.Peek(8); len(b) == 8 {
		enc = sniff(b, enc)
		if f.Syntax == "" {
			f.Syntax = map[encoding]string{
				implicitLittle: uid.ImplicitVRLittleEndian,
				explicitLittle: uid.ExplicitVRLittleEndian,
				explicitBig:    uid.ExplicitVRBigEndian,
			}[enc]
		}
	}
	for {
		if _, err := r.r.Peek(1); err == io.EOF {
			if len(f.Data) == 0 {
				return nil, ErrNotDICOM
			}
			return nil, nil
		}
		if pixels, err := r.element(f.Data, enc, 0); pixels != nil || err != nil {
			return pixels, err
		}
	}
}

// encodingOf is how a transfer syntax writes datasets (PS3.5 annex A).
func encodingOf(syntax string) encoding {
	switch syntax {
	case uid.ImplicitVRLittleEndian:
		return implicitLittle
	case uid.ExplicitVRBigEndian:
		return explicitBig
	}
	return explicitLittle
}

// plausibleStart reports whether a file with neither preamble nor file meta
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

// sniff finds from a dataset's first 8 bytes how it is written; where they do
// not show it, it is as declared. The first element is of group 2 or 8 in all but
// odd files, which gives the byte order away.
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

// reader reads elements from a stream and counts the bytes.
type reader struct {
	src   io.Reader
	seeks bool // src can seek
	r     *bufio.Reader
	at    int64 // bytes taken so far
	size  int64 // bytes in all, or UnknownSize
	keep  Selection
	items int // kept so far
	head  [8]byte
}

func newReader(src io.Reader, size int64, keep Selection) *reader {
	_, seeks := src.(io.Seeker)
	return &reader{src: src, seeks: seeks, r: bufio.NewReader(src), size: size, keep: keep}
}

// left is the most bytes that there can be up to the end of the file.
func (r *reader) left() int64 {
	if !r.seeks && (r.size == UnknownSize || r.size > maxStreamedHeader) {
		return maxStreamedHeader - r.at
	}
	return r.size - r.at
}

// fits reports whether a length that a file states can be right.
func (r *reader) fits(length int64) bool { return length == undefinedLength || length <= r.left() }

// overrun is the error for a length that does not fit.
func (r *reader) overrun(what string, length int64) error {
	return fmt.Errorf("%w: %s claims %d bytes, %d are left", ErrCutShort, what, length, max(0, r.left()))
}

// skip passes over n bytes, by seeking where it can.
func (r *reader) skip(n int64) error {
	r.at += n
	if ahead := n - int64(r.r.Buffered()); r.seeks && ahead > 0 {
		if _, err := r.src.(io.Seeker).Seek(ahead, io.SeekCurrent); err != nil {
			return err
		}
		r.r.Reset(r.src)
		return nil
	}
	for n > 0 {
		part := min(n, 1<<20)
		if _, err := r.r.Discard(int(part)); err != nil {
			return ReadError(err)
		}
		n -= part
	}
	return nil
}

// readFull reads as many bytes as b has, and gives b.
func (r *reader) readFull(b []byte) ([]byte, error) {
	if _, err := io.ReadFull(r.r, b); err != nil {
		return nil, ReadError(err)
	}
	r.at += int64(len(b))
	return b, nil
}

// ReadError puts an error of reading a file's bytes in plain words: ErrCutShort
// at an early end, ErrUnpack where what was compressed is damaged, and any other
// one as it is.
func ReadError(err error) error {
	var corrupt flate.CorruptInputError
	switch {
	case err == io.EOF || err == io.ErrUnexpectedEOF:
		return ErrCutShort
	case errors.Is(err, zip.ErrChecksum) || errors.As(err, &corrupt):
		return ErrUnpack
	}
	return err
}

// elementHead reads one element's tag, value representation and length.
func (r *reader) elementHead(enc encoding) (t tag.Tag, vr string, length int64, err error) {
	b, err := r.readFull(r.head[:8])
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
		b, err = r.readFull(r.head[:4])
		if err != nil {
			return t, vr, 0, err
		}
		return t, vr, int64(enc.order.Uint32(b)), nil
	}
	return t, "", int64(enc.order.Uint32(b[4:])), nil // an implicit element gone astray
}

func isUpper(b byte) bool { return b >= 'A' && b <= 'Z' }

// errItemEnd ends an item of undefined length.
var errItemEnd = errors.New("item delimiter")

// element reads the next element into into, which is nil where nothing is to
// be kept. It returns where the pixels are at those of the file itself, and
// errItemEnd at the end of an item of undefined length.
func (r *reader) element(into Dataset, enc encoding, depth int) (*Pixels, error) {
	t, vr, length, err := r.elementHead(enc)
	if err != nil {
		return nil, err
	}
	switch {
	case t == itemEnd && depth > 0:
		return nil, errItemEnd
	case t == sequenceEnd && depth == 0:
		return nil, nil // a stray one after a sequence of stated length
	case t.Group == 0xFFFE:
		return nil, fmt.Errorf("a sequence marker %s where an element was expected at byte %d", t, r.at-8)
	case t == tag.PixelData && depth == 0:
		return &Pixels{VR: vr, Order: enc.order, Length: length, Fragmented: length == undefinedLength, Offset: r.at, Size: r.size}, nil
	}
	if !r.fits(length) {
		return nil, r.overrun("element "+t.String(), length)
	}
	var keep, sequence bool
	var longest int64
	if into != nil {
		keep, sequence, longest = r.keep.keeps(t)
	}
	switch {
	case length == undefinedLength || sequence:
		return nil, r.sequence(into, sequence, t, vr, enc, length, depth)
	case keep && length <= longest:
		order := binary.ByteOrder(enc.order)
		if vr == "UN" {
			order = binary.LittleEndian
		}
		value, err := r.readFull(make([]byte, length))
		into[t] = Element{VR: vr, Order: order, Value: value}
		return nil, err
	}
	return nil, r.skip(length)
}

// sequence reads a sequence whose head was read; it is kept in into, or passed
// over.
func (r *reader) sequence(into Dataset, keep bool, t tag.Tag, vr string, enc encoding, length int64, depth int) error {
	switch vr { // PS3.5 6.2.2, note 2: unknown ones are implicit
	case "UN":
		enc = implicitLittle
	case "":
		enc.implicit = true
	}
	if !keep {
		return r.readItems(nil, enc, length, depth+1)
	}
	e := Element{VR: vr}
	err := r.readItems(&e.Items, enc, length, depth+1)
	into[t] = e
	return err
}

// readItems reads the items of a sequence of the given length; with items nil
// it passes over them.
func (r *reader) readItems(items *[]Dataset, enc encoding, length int64, depth int) error {
	if depth > maxDepth {
		return fmt.Errorf("sequences nested more than %d deep", maxDepth)
	}
	end := r.at + length
	for length == undefinedLength || r.at < end {
		t, _, n, err := r.elementHead(enc)
		if err != nil {
			return err
		}
		if t == sequenceEnd && length == undefinedLength {
			return nil
		}
		if t != itemStart {
			return fmt.Errorf("element %s where a sequence item was expected at byte %d", t, r.at-8)
		}
		if !r.fits(n) {
			return r.overrun("a sequence item", n)
		}
		if items == nil && n != undefinedLength {
			if err := r.skip(n); err != nil {
				return err
			}
			continue
		}
		var into Dataset
		if items != nil {
			if r.items++; r.items > r.keep.MaxItems {
				return fmt.Errorf("more than %d sequence items", r.keep.MaxItems)
			}
			into = Dataset{}
		}
		if err := r.item(into, enc, n, depth); err != nil {
			return err
		}
		if items != nil {
			*items = append(*items, into)
		}
	}
	if length != undefinedLength && r.at > end {
		return fmt.Errorf("a sequence overruns its %d bytes at byte %d", length, r.at)
	}
	return nil
}

// item reads the elements of an item of the given length.
func (r *reader) item(into Dataset, enc encoding, length int64, depth int) error {
	end := r.at + length
	for length == undefinedLength || r.at < end {
		_, err := r.element(into, enc, depth)
		if err == errItemEnd && length == undefinedLength {
			return nil
		}
		if err != nil {
			return err
		}
	}
	if length != undefinedLength && r.at > end {
		return fmt.Errorf("a sequence item overruns its %d bytes at byte %d", length, r.at)
	}
	return nil
}
