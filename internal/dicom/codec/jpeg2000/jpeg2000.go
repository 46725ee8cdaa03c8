// Package jpeg2000 decodes one frame of grey JPEG 2000, reversible or
// irreversible, of 1 to 16 bits, signed or not: a codestream, or one in the
// boxes of a JP2 file.
//
// Samples come back as the words the stream holds, negative ones in two's
// complement within the stream's precision, together with that precision and
// whether they are signed; masking to the bits in use, and the sign, are the
// caller's. Start with Decode.
//
// Limits: one component, one sample for each point of the reference grid. Colour,
// palettes, packet headers that are packed apart (PPM, PPT), the extensions of
// other parts of the standard (high-throughput coding among them) and blocks of
// more than 30 bit planes are refused by name.
//
// Source: ITU-T T.800 (2002) | ISO/IEC 15444-1; section numbers in this package
// are those of T.800.
package jpeg2000

import (
	"bytes"
	"encoding/binary"

	"plumbline/internal/dicom/codec/codestream"
)

// stream is what errors call the data.
const stream = "JPEG 2000 stream"

// Decode decodes one frame into dst, row by row from the top left.
//
// In: dst has columns × rows samples; data is the whole stream, its fragments
// joined, with or without padding behind the end of the image; bitsAllocated is
// the most that a sample may have.
// Out: words that do not exceed the stream's precision in bits; that precision;
// whether the stream calls its samples signed; and whether grey values were given
// up: by the irreversible transform, or because a block has fewer coding passes than
// its bit planes need. Blocks that an encoder left out whole cannot be told from
// blocks of zeros.
// Errors: *codestream.Error, or a plain error for arguments that do not fit
// together. After an error the content of dst means nothing.
//
// Besides dst, memory is taken for one tile's coefficients, 4 bytes each, and for
// its precincts and blocks: less than 20 bytes for each sample, 250 for each byte
// of data and 64 MB in all, whatever the headers say. All packets must be there and
// nothing behind the last; only the end marker itself may be missing, when the data
// stop there.
func Decode(dst []uint16, data []byte, columns, rows, bitsAllocated int) (precision int, signed, lossy bool, err error) {
	if err := codestream.CheckSize(stream, len(dst), columns, rows); err != nil {
		return 0, false, false, err
	}
	d := decoder{Reader: codestream.Reader{Stream: stream, Name: markerName, Data: data}, dst: dst, columns: columns, rows: rows, bits: bitsAllocated}
	if err := d.decode(); err != nil {
		return 0, false, false, err
	}
	return d.precision, d.signed, d.lossy, nil
}

// decoder reads all headers first, as a tile's parts may be anywhere, and then
// decodes tile after tile.
type decoder struct {
	codestream.Reader

	dst           []uint16
	columns, rows int
	bits          int // the most bits a sample may have

	size
	parameters // of the main header
	tiles      []tileParts
	scratch    scratch
	lossy      bool
}

// size is what SIZ says (A.5.1).
type size struct {
	image, grid   rect // of the reference grid; grid is the first tile, before it is cut to the image
	across, down  int  // tiles
	precision     int
	signed, known bool
}

// rect is a part of a plane: x0 <= x < x1, y0 <= y < y1.
type rect struct{ x0, y0, x1, y1 int }

func (r rect) width() int  { return r.x1 - r.x0 }
func (r rect) height() int { return r.y1 - r.y0 }
func (r rect) empty() bool { return r.x0 >= r.x1 || r.y0 >= r.y1 }

func (r rect) intersect(s rect) rect {
	return rect{max(r.x0, s.x0), max(r.y0, s.y0), min(r.x1, s.x1), min(r.y1, s.y1)}
}

// tileParts is what the stream has of one tile.
type tileParts struct {
	parameters *parameters // nil: those of the main header
	data       []byte      // packets
	next       int         // the tile-part that is due
	start      int         // where its first SOT is
}

func (d *decoder) decode() error {
	if err := d.unwrap(); err != nil {
		return err
	}
	if err := d.mainHeader(); err != nil {
		return err
	}
	for d.Marker == markerSOT {
		if err := d.readTilePart(); err != nil {
			return err
		}
	}
	for i := range d.tiles {
		if err := d.decodeTile(i); err != nil {
			return err
		}
	}
	return nil
}

// jp2Signature begins a JP2 file (I.5.1).
var jp2Signature = []byte{0, 0, 0, 12, 'j', 'P', ' ', ' ', 0x0D, 0x0A, 0x87, 0x0A}

// unwrap moves to the codestream in the boxes of a JP2 file (I.4), if it is one.
func (d *decoder) unwrap() error {
	d.Marker = markerSOC
	if !bytes.HasPrefix(d.Data, jp2Signature) {
		return nil
	}
	for at := len(jp2Signature); ; {
		d.Start = at
		kind, from, to, ok := box(d.Data, at, len(d.Data))
		if !ok {
			return d.Errorf("the boxes end before the codestream")
		}
		switch kind {
		case "jp2c":
			d.Data, d.Pos = d.Data[:to], from
			return nil
		case "jp2h":
			for in := from; ; {
				inner, _, end, ok := box(d.Data, in, to)
				if !ok {
					break
				}
				if inner == "pclr" {
					return d.Unsupportedf("a palette cannot be read")
				}
				in = end
			}
		}
		at = to
	}
}

// box finds the content of the box at a byte, which ends before limit.
func box(data []byte, at, limit int) (kind string, from, to int, ok bool) {
	if limit-at < 8 {
		return "", 0, 0, false
	}
	length, head := uint64(binary.BigEndian.Uint32(data[at:])), uint64(8)
	kind = string(data[at+4 : at+8])
	switch {
	case length == 0:
		length = uint64(limit - at)
	case length == 1:
		if limit-at < 16 {
			return "", 0, 0, false
		}
		length, head = binary.BigEndian.Uint64(data[at+8:]), 16
	}
	if length < head || length > uint64(limit-at) {
		return "", 0, 0, false
	}
	return kind, at + int(head), at + int(length), true
}
