package scan

import (
	"encoding/binary"
	"math/bits"
	"strings"
	"unsafe"

	"github.com/suyashkumar/dicom/pkg/uid"

	"plumbline/internal/volume"
)

// nativeSyntax lists the transfer syntaxes whose voxels stand in the file as
// they are (PS3.5 A.1, A.2, A.3, A.5).
var nativeSyntax = map[string]bool{
	uid.ImplicitVRLittleEndian:         true,
	uid.ExplicitVRLittleEndian:         true,
	uid.ExplicitVRBigEndian:            true,
	uid.DeflatedExplicitVRLittleEndian: true,
}

// signBit is the shift that keeps signed values in unsigned words.
const signBit = 0x8000

// each times a 16-bit number has it in each of four words.
const each = 0x0001_0001_0001_0001

// flip is what turns a 16-bit value into the unsigned word that is kept.
func (l layout) flip() uint16 {
	if l.signed {
		return signBit
	}
	return 0
}

// raw is the memory of words as bytes, so that a frame can be read straight
// into its place; a second copy of it would cost as much as reading it.
func raw(words []uint16) []byte {
	return unsafe.Slice((*byte)(unsafe.Pointer(unsafe.SliceData(words))), 2*len(words))
}

// unwritten is memory for n words, all of which have to be written. A strings.Builder
// takes it as it comes; make would clear it first, on one processor alone, which takes
// longer than to read a scan into it.
func unwritten(n int) []uint16 {
	if n == 0 {
		return nil
	}
	var b strings.Builder
	b.Grow(2 * n)
	b.WriteByte(0)
	return unsafe.Slice((*uint16)(unsafe.Pointer(unsafe.StringData(b.String()))), n)
}

// bigEndianHost tells whether this machine keeps the high byte first.
var bigEndianHost = binary.NativeEndian.Uint16([]byte{0, 1}) == 1

// fill reads a native frame into words, as they are kept. readFull reads as
// many bytes as the slice it is given has.
func (l layout) fill(words []uint16, pad *rawPadding, buffer *[]byte, readFull func([]byte) error) error {
	if l.allocated == 8 {
		bytes := sized(buffer, int64(len(words)))
		if err := readFull(bytes); err != nil {
			return err
		}
		l.widen(words, bytes)
	} else {
		populate(raw(words))
		if err := readFull(raw(words)); err != nil {
			return err
		}
		if l.bigEndian != bigEndianHost {
			swapBytes(words)
		}
	}
	if l.stored < 16 || l.signed {
		l.settle(words, pad)
	}
	return nil
}

// swapBytes turns words of the other byte order into this machine's, four at once.
func swapBytes(words []uint16) {
	const lower = 0x00ff * each
	all := raw(words)
	for ; len(all) >= 8; all = all[8:] {
		x := binary.NativeEndian.Uint64(all)
		binary.NativeEndian.PutUint64(all, x>>8&lower|x&lower<<8)
	}
	for i := len(words) &^ 3; i < len(words); i++ {
		words[i] = bits.ReverseBytes16(words[i])
	}
}

// widen turns 8-bit voxels into words.
func (l layout) widen(words []uint16, bytes []byte) {
	flip := 0
	if l.swapped {
		flip = 1
	}
	for i := range words {
		at := i ^ flip
		if at == len(bytes) {
			at = i // the last of an odd number, whose neighbour is padding
		}
		words[i] = uint16(bytes[at])
	}
}

// settle turns words as stored, in place, into the words that are kept: the
// bits in use, with the sign filled in and shifted out (PS3.5 8.1.1). Other
// bits, where overlays or worse may lie, are dropped; only a word that is
// padding, and could not be a value, stays whole.
func (l layout) settle(words []uint16, pad *rawPadding) {
	shift := l.high + 1 - l.stored
	if pad != nil && shift == 0 && !(l.holds(pad.low) && l.holds(pad.high)) {
		flip := l.flip()
		for i, w := range words {
			if pad.has(w, flip) {
				words[i] = w ^ flip
			} else {
				words[i] = l.value(w)
			}
		}
		return
	}
	// Four words at once. A signed value v of n bits is kept as v + 32768, and its
	// bits with the top one turned over are v + 2^(n-1): no sum leaves its word.
	mask := each * uint64(1<<l.stored-1)
	top, add := uint64(0), uint64(0)
	if l.signed {
		half := uint64(1) << (l.stored - 1)
		top, add = each*half, each*(signBit-half)
	}
	down := uint(shift)
	all := raw(words)
	for ; len(all) >= 8; all = all[8:] {
		x := binary.NativeEndian.Uint64(all)
		binary.NativeEndian.PutUint64(all, (x>>down&mask^top)+add)
	}
	for i := len(words) &^ 3; i < len(words); i++ {
		words[i] = (words[i]>>down&uint16(mask) ^ uint16(top)) + uint16(add)
	}
}

// value is one word as it is kept.
func (l layout) value(w uint16) uint16 {
	one := [1]uint16{w}
	l.settle(one[:], nil)
	return one[0]
}

// holds tells whether a 16-bit value fits into the bits in use.
func (l layout) holds(w uint16) bool {
	up := 16 - l.stored
	if l.signed {
		return uint16(int16(w<<up)>>up) == w
	}
	return w<<up>>up == w
}

// has tells whether a word of the file is padding; flip makes the comparison
// signed.
func (p *rawPadding) has(w, flip uint16) bool {
	return w^flip >= p.low^flip && w^flip <= p.high^flip
}

// kept is the padding in terms of the words that are kept.
func (p *rawPadding) kept(l layout) *volume.Range {
	if p == nil {
		return nil
	}
	return &volume.Range{Low: p.low ^ l.flip(), High: p.high ^ l.flip()}
}
