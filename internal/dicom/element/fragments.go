package element

import (
	"encoding/binary"
	"fmt"
	"io"

	"github.com/suyashkumar/dicom/pkg/tag"
)

// Fragments is compressed pixel data to be written (PS3.5 A.4): the basic offset
// table and the pieces.
type Fragments struct {
	Offsets []uint32
	Parts   [][]byte
}

// encode gives the items with their sequence delimiter. Compressed pixel data is
// little endian in every syntax.
func (f Fragments) encode() []byte {
	w := &writer{encoding: explicitLittle}
	w.tag(itemStart)
	w.uint32(uint32(4 * len(f.Offsets)))
	for _, o := range f.Offsets {
		w.uint32(o)
	}
	for _, p := range f.Parts {
		w.tag(itemStart)
		w.uint32(uint32(len(p) + len(p)%2))
		w.Write(p)
		if len(p)%2 == 1 {
			w.WriteByte(0)
		}
	}
	w.tag(sequenceEnd)
	w.uint32(0)
	return w.Bytes()
}

// Fragment is one piece of compressed pixel data in a file.
type Fragment struct {
	Item   int64 // where its item tag is, from the first fragment's, as offset tables count; bytes
	Offset int64 // of its bytes, from the start of the pixel data's value
	Length int64 // bytes
}

// maxFragments bounds the fragments of one file.
const maxFragments = 1 << 20

// ReadFragments finds the fragments of encapsulated pixel data (PS3.5 A.4). Their
// bytes are not read.
//
// In: r reads from the first byte of the pixel data's value; size is how many
// bytes there are; maxFrames bounds the offset table.
// Out: the basic offset table, and all fragments in order.
// Errors: ErrCutShort when the file ends before the sequence delimiter.
func ReadFragments(r io.ReaderAt, size int64, maxFrames int) (offsets []uint64, fragments []Fragment, err error) {
	at, base := int64(0), int64(0)
	for first := true; ; first = false {
		var head [8]byte
		if size-at < 8 {
			return nil, nil, fmt.Errorf("%w: its fragments have no end mark", ErrCutShort)
		}
		if _, err := r.ReadAt(head[:], at); err != nil {
			return nil, nil, ReadError(err)
		}
		t := tag.Tag{Group: binary.LittleEndian.Uint16(head[:]), Element: binary.LittleEndian.Uint16(head[2:])}
		length := int64(binary.LittleEndian.Uint32(head[4:]))
		if t == sequenceEnd {
			return offsets, fragments, nil
		}
		if t != itemStart {
			return nil, nil, fmt.Errorf("element %s where a fragment was expected", t)
		}
		if length > size-at-8 {
			return nil, nil, fmt.Errorf("%w: a fragment claims %d bytes, %d are left", ErrCutShort, length, size-at-8)
		}
		switch {
		case first:
			if offsets, err = readOffsets(r, at+8, length, maxFrames); err != nil {
				return nil, nil, err
			}
			base = at + 8 + length
		case len(fragments) >= maxFragments:
			return nil, nil, fmt.Errorf("more than %d fragments", maxFragments)
		default:
			fragments = append(fragments, Fragment{Item: at - base, Offset: at + 8, Length: length})
		}
		at += 8 + length
	}
}

// readOffsets reads a basic offset table of length bytes.
func readOffsets(r io.ReaderAt, at, length int64, maxFrames int) (offsets []uint64, err error) {
	if length%4 != 0 || length > 4*int64(maxFrames) {
		return nil, fmt.Errorf("an offset table of %d bytes", length)
	}
	table := make([]byte, length)
	if _, err := r.ReadAt(table, at); err != nil && length > 0 {
		return nil, ReadError(err)
	}
	for i := 0; i < len(table); i += 4 {
		offsets = append(offsets, uint64(binary.LittleEndian.Uint32(table[i:])))
	}
	return offsets, nil
}
