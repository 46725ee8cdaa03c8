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

// lanes times a 16-bit number has it in each of the four lanes of a 64-bit word.
const lanes = 0x0001_0001_0001_0001

// signFlip, by exclusive or, turns a 16-bit value of the file into the unsigned
// stored value of the volume: a signed one plus 2^15.
func (l layout) signFlip() uint16 {
	if l.signed {
		return signBit
	}
	return 0
}

// bytesOf is the memory of words as bytes, so that a frame can be read straight
// into its place; a second copy of it would cost as much as reading it.
func bytesOf(words []uint16) []byte {
	return unsafe.Slice((*byte)(unsafe.Pointer(unsafe.SliceData(words))), 2*len(words))
}

// uninitialised is memory for n words, all of which have to be written. A
// strings.Builder takes it as it comes; make would clear it first, on one processor
// alone, which takes longer than to read a scan into it.
func uninitialised(n int) []uint16 {
	if n == 0 {
		return nil
	}
	var b strings.Builder
	b.Grow(2 * n)
	b.WriteByte(0)
	return unsafe.Slice((*uint16)(unsafe.Pointer(unsafe.StringData(b.String()))), n)
}

// bigEndianHost reports whether this machine keeps the high byte first.
var bigEndianHost = binary.NativeEndian.Uint16([]byte{0, 1}) == 1

// readNativeFrame reads an uncompressed frame into the stored values of the volume.
// readFull reads as many bytes as the slice it is given has.
func (l layout) readNativeFrame(words []uint16, pad *rawPadding, buffer *[]byte, readFull func([]byte) error) error {
	if l.allocated == 8 {
		bytes := resized(buffer, int64(len(words)))
		if err := readFull(bytes); err != nil {
			return err
		}
		l.widenBytes(words, bytes)
	} else {
		populate(bytesOf(words))
		if err := readFull(bytesOf(words)); err != nil {
			return err
		}
		if l.bigEndian != bigEndianHost {
			swapBytes(words)
		}
	}
	if l.stored < 16 || l.signed {
		l.toStored(words, pad)
	}
	return nil
}

// swapBytes turns words of the other byte order into this machine's, four at once.
func swapBytes(words []uint16) {
	const lower = 0x00ff * lanes
	all := bytesOf(words)
	for ; len(all) >= 8; all = all[8:] {
		x := binary.NativeEndian.Uint64(all)
		binary.NativeEndian.PutUint64(all, x>>8&lower|x&lower<<8)
	}
	for i := len(words) &^ 3; i < len(words); i++ {
		words[i] = bits.ReverseBytes16(words[i])
	}
}

// widenBytes turns 8-bit voxels into words.
func (l layout) widenBytes(words []uint16, bytes []byte) {
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

// toStored turns words of the file, in place, into stored values of the volume
// (PS3.5 8.1.1): Bits Stored bits up to High Bit, sign-extended, plus 2^15 where
// they are signed. Other bits, where overlays or worse may lie, are masked; only a
// word that is padding, and could not be a value, keeps all its bits.
func (l layout) toStored(words []uint16, pad *rawPadding) {
	shift := l.high + 1 - l.stored
	if pad != nil && shift == 0 && !(l.represents(pad.low) && l.represents(pad.high)) {
		flip := l.signFlip()
		for i, w := range words {
			if pad.contains(w, flip) {
				words[i] = w ^ flip
			} else {
				words[i] = l.storedValue(w)
			}
		}
		return
	}
	// Four 16-bit lanes at once (SWAR). A signed value v of n bits is stored as
	// v + 2^15, and its bits with the sign bit inverted are v + 2^(n-1), so the sum
	// of that and 2^15 - 2^(n-1) never carries into the next lane.
	mask := lanes * uint64(1<<l.stored-1)
	top, add := uint64(0), uint64(0)
	if l.signed {
		half := uint64(1) << (l.stored - 1)
		top, add = lanes*half, lanes*(signBit-half)
	}
	down := uint(shift)
	all := bytesOf(words)
	for ; len(all) >= 8; all = all[8:] {
		x := binary.NativeEndian.Uint64(all)
		binary.NativeEndian.PutUint64(all, (x>>down&mask^top)+add)
	}
	for i := len(words) &^ 3; i < len(words); i++ {
		words[i] = (words[i]>>down&uint16(mask) ^ uint16(top)) + uint16(add)
	}
}

// storedValue is toStored of one word.
func (l layout) storedValue(w uint16) uint16 {
	one := [1]uint16{w}
	l.toStored(one[:], nil)
	return one[0]
}

// represents reports whether a 16-bit value fits into the bits in use.
func (l layout) represents(w uint16) bool {
	up := 16 - l.stored
	if l.signed {
		return uint16(int16(w<<up)>>up) == w
	}
	return w<<up>>up == w
}

// contains reports whether a word of the file is padding; flip makes the comparison
// signed.
func (p *rawPadding) contains(w, flip uint16) bool {
	return w^flip >= p.low^flip && w^flip <= p.high^flip
}

// storedRange is the padding in stored values of the volume.
func (p *rawPadding) storedRange(l layout) *volume.Range {
	if p == nil {
		return nil
	}
	return &volume.Range{Low: p.low ^ l.signFlip(), High: p.high ^ l.signFlip()}
}
