package scan

import (
	"bytes"
	"errors"
	"fmt"
	"io"

	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"

	"plumbline/internal/dicom/codec/codestream"
	"plumbline/internal/dicom/codec/jpeg"
	"plumbline/internal/dicom/codec/jpeg2000"
	"plumbline/internal/dicom/codec/jpegls"
	"plumbline/internal/dicom/codec/rle"
	"plumbline/internal/dicom/element"
)

// decoder decodes one compressed frame into dst, row by row: words of the
// precision it answers with, negative values in two's complement; whether the
// stream itself calls them signed, and whether grey values were given up.
type decoder func(dst []uint16, data []byte, columns, rows, bitsAllocated int) (precision int, signed, lossy bool, err error)

// withoutSign is a decoder for streams that know no sign.
func withoutSign(f func(dst []uint16, data []byte, columns, rows, bitsAllocated int) (int, bool, error)) decoder {
	return func(dst []uint16, data []byte, columns, rows, bitsAllocated int) (int, bool, bool, error) {
		precision, lossy, err := f(dst, data, columns, rows, bitsAllocated)
		return precision, false, lossy, err
	}
}

// decoders has a decoder for each compressed transfer syntax that can be read.
var decoders = map[string]decoder{
	"1.2.840.10008.1.2.4.50": withoutSign(jpeg.Decode), // baseline
	"1.2.840.10008.1.2.4.51": withoutSign(jpeg.Decode), // extended, 8 and 12 bits
	"1.2.840.10008.1.2.4.57": withoutSign(jpeg.Decode), // lossless, process 14
	"1.2.840.10008.1.2.4.70": withoutSign(jpeg.Decode), // lossless, process 14, selection value 1
	"1.2.840.10008.1.2.4.80": withoutSign(jpegls.Decode),
	"1.2.840.10008.1.2.4.81": withoutSign(jpegls.Decode), // near-lossless
	"1.2.840.10008.1.2.4.90": jpeg2000.Decode,
	jpeg2000Syntax:           jpeg2000.Decode, // lossy, or not
	"1.2.840.10008.1.2.5":    withoutSign(rle.Decode),
}

// jpeg2000Syntax is JPEG 2000 that may be lossy.
const jpeg2000Syntax = "1.2.840.10008.1.2.4.91"

// syntaxName is a transfer syntax in words.
func syntaxName(syntax string) string {
	info, err := uid.Lookup(syntax)
	if err != nil {
		return fmt.Sprintf("transfer syntax %q", element.Shorten(syntax))
	}
	return info.Name
}

// unsupportedSyntax is the answer to a syntax without a decoder.
func unsupportedSyntax(syntax string) error {
	return fmt.Errorf("its pixels are compressed in a way that is not read here (%s, %s); %s", syntaxName(syntax), element.Shorten(syntax), exportAdvice)
}

// exportAdvice says how to get a scan that can be read.
const exportAdvice = "export the scan again as uncompressed DICOM (Explicit VR Little Endian) or with JPEG Lossless"

// groupFragments finds which fragments make up each frame (PS3.5 A.4): one each
// where the numbers agree; else by the offset table; and without one, by the marker
// that begins each compressed image.
func groupFragments(r io.ReaderAt, frames int, offsets []uint64, fragments []element.Fragment) ([][]element.Fragment, error) {
	var filled []element.Fragment
	for _, f := range fragments {
		if f.Length > 0 {
			filled = append(filled, f)
		}
	}
	switch {
	case frames == 1:
		if len(filled) == 0 {
			return nil, fmt.Errorf("%w: it has no pixels", element.ErrCutShort)
		}
		return [][]element.Fragment{filled}, nil
	case len(filled) == frames:
		out := make([][]element.Fragment, frames)
		for i := range filled {
			out[i] = filled[i : i+1]
		}
		return out, nil
	case len(offsets) > 0:
		return groupByOffsets(frames, offsets, fragments)
	case len(filled) < frames:
		return nil, fmt.Errorf("%w: it has %s of %d", element.ErrCutShort, plural(len(filled), "frame"), frames)
	}
	return groupByMarkers(r, frames, filled)
}

// groupByOffsets splits the fragments where an offset table says that frames begin.
func groupByOffsets(frames int, offsets []uint64, fragments []element.Fragment) ([][]element.Fragment, error) {
	if len(offsets) != frames {
		return nil, fmt.Errorf("its offset table is for %s, expected %d", plural(len(offsets), "frame"), frames)
	}
	out := make([][]element.Fragment, frames)
	at := 0
	for i, start := range offsets {
		for at < len(fragments) && uint64(fragments[at].Item) < start {
			if i == 0 {
				return nil, fmt.Errorf("its offset table leaves out the first fragment")
			}
			at++
		}
		if at == len(fragments) || uint64(fragments[at].Item) != start {
			return nil, fmt.Errorf("its offset table points to byte %d for frame %d, where no fragment begins", start, i+1)
		}
		end := at
		for end < len(fragments) && (i+1 == frames || uint64(fragments[end].Item) < offsets[i+1]) {
			end++
		}
		for _, f := range fragments[at:end] {
			if f.Length > 0 {
				out[i] = append(out[i], f)
			}
		}
		if len(out[i]) == 0 {
			return nil, fmt.Errorf("%w: frame %d has no bytes", element.ErrCutShort, i+1)
		}
	}
	return out, nil
}

// imageMarkers begin a compressed image: JPEG and JPEG-LS, JPEG 2000.
var imageMarkers = [][]byte{{0xFF, 0xD8, 0xFF}, {0xFF, 0x4F, 0xFF, 0x51}}

// groupByMarkers splits the fragments at those that begin with the marker of an image.
func groupByMarkers(r io.ReaderAt, frames int, fragments []element.Fragment) ([][]element.Fragment, error) {
	var out [][]element.Fragment
	for _, f := range fragments {
		var head [4]byte
		if _, err := r.ReadAt(head[:min(4, f.Length)], f.Offset); err != nil && err != io.EOF {
			return nil, element.ReadError(err)
		}
		begins := false
		for _, m := range imageMarkers {
			begins = begins || bytes.HasPrefix(head[:], m)
		}
		if begins {
			out = append(out, nil)
		}
		if len(out) == 0 {
			break
		}
		out[len(out)-1] = append(out[len(out)-1], f)
	}
	if len(out) != frames {
		return nil, fmt.Errorf("it has %s for %s and no table that says which belong together", plural(len(fragments), "fragment"), plural(frames, "frame"))
	}
	return out, nil
}

// readExtendedTable reads the extended offset table, which may replace the
// basic one (PS3.3 C.7.6.3.1.8).
func (g *image) readExtendedTable(d element.Dataset) error {
	n := len(d[tag.ExtendedOffsetTable].Value)
	if n == 0 {
		return nil
	}
	if n != 8*len(g.frames) {
		return fmt.Errorf("%s has %d bytes, expected 8 for each of %s", element.Name(tag.ExtendedOffsetTable), n, plural(len(g.frames), "frame"))
	}
	g.extended = d.Uint64s(tag.ExtendedOffsetTable)
	return nil
}

// coding is what a decoder has to say of a frame that it read.
type coding struct {
	lossy bool
	odd   bool // it breaks its standard where no voxel depends on it
}

// decodeFrame decodes one compressed frame into stored values of the volume.
func (g *image) decodeFrame(words []uint16, data []byte) (coding, error) {
	l := g.layout
	precision, signed, lossy, err := decoders[g.syntax](words, data, l.cols, l.rows, l.allocated)
	if stream := (*codestream.Error)(nil); errors.As(err, &stream) && stream.Unsupported {
		return coding{}, fmt.Errorf("%w; %s", err, exportAdvice)
	}
	if err != nil {
		return coding{}, fmt.Errorf("%w; the file is damaged, export it again", err)
	}
	if err := l.extendPrecision(words, precision, signed); err != nil {
		return coding{}, err
	}
	// The decoder cannot see that blocks were left out whole.
	if lossy || g.syntax == jpeg2000Syntax {
		if err := l.clampToStoredBits(words, precision, signed, g.padding); err != nil {
			return coding{}, err
		}
	}
	if l.stored < 16 || l.signed {
		l.toStored(words, g.padding)
	}
	return coding{lossy: lossy, odd: lossy && jpeg.SelectionUnset(data)}, nil
}

// extendPrecision sign-extends words of a stream that has fewer bits than the header
// says, where both are signed; where both are unsigned they stand as they are.
// Otherwise they are values only while none has the stream's top bit, which may or
// may not be a sign, and else an error. Where the stream has all bits, the header
// decides.
func (l layout) extendPrecision(words []uint16, precision int, signed bool) error {
	if precision >= l.high+1 {
		return nil
	}
	if l.high == l.stored-1 {
		if signed && l.signed {
			up := 16 - precision
			for i, w := range words {
				words[i] = uint16(int16(w<<up) >> up)
			}
			return nil
		}
		top := uint16(0)
		for _, w := range words {
			top |= w
		}
		if !signed && !l.signed || top>>(precision-1) == 0 {
			return nil
		}
	}
	kind := map[bool]string{false: "unsigned", true: "signed"}
	return fmt.Errorf("its compressed pixels are %s numbers of %d bits, the header says %s ones of %d with high bit %d, so what they mean is in doubt; %s",
		kind[signed], precision, kind[l.signed], l.stored, l.high, exportAdvice)
}

// clampToStoredBits clamps the values of a lossy stream to the range of Bits Stored.
// Where a stream has a higher precision, as encoders write it, the coding error
// exceeds both ends of that range, and masking would wrap around: metal would turn
// into air.
func (l layout) clampToStoredBits(words []uint16, precision int, signed bool, pad *rawPadding) error {
	if precision <= l.stored || l.high != l.stored-1 {
		return nil
	}
	size, low, up := 1<<l.stored, 0, 16-precision
	if l.signed {
		low = -size / 2
	}
	flip := l.signFlip()
	for i, w := range words {
		v := int(w)
		if l.signed || signed {
			v = int(int16(w<<up) >> up)
		}
		if v >= low && v < low+size || pad != nil && pad.contains(w, flip) {
			continue
		}
		// The coding error is a part of the range; beyond that they are no values.
		if v < low-size || v >= low+2*size {
			return fmt.Errorf("its compressed pixels hold %d, far beyond the %d bits stored that the header says; %s", v, l.stored, exportAdvice)
		}
		words[i] = uint16(min(max(v, low), low+size-1))
	}
	return nil
}
