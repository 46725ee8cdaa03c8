package scan

import (
	"encoding/binary"

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

// flip is what turns a 16-bit value into the unsigned word that is kept.
func (l layout) flip() uint16 {
	if l.signed {
		return signBit
	}
	return 0
}

// convert turns a native frame's bytes into the words that are kept. src has
// frameBytes bytes, dst one word a voxel.
func (l layout) convert(dst []uint16, src []byte, pad *rawPadding) {
	full := uint16(0)
	if l.stored == 16 {
		full = l.flip()
	}
	switch {
	case l.allocated == 8 && l.swapped:
		for i := range dst {
			dst[i] = uint16(src[min(i^1, len(src)-1)])
		}
	case l.allocated == 8:
		for i := range dst {
			dst[i] = uint16(src[i])
		}
	case l.bigEndian:
		for i := range dst {
			dst[i] = binary.BigEndian.Uint16(src[2*i:]) ^ full
		}
	default:
		for i := range dst {
			dst[i] = binary.LittleEndian.Uint16(src[2*i:]) ^ full
		}
	}
	if l.stored < 16 {
		l.settle(dst, pad)
	}
}

// settle turns words as stored, in place, into the words that are kept: the
// bits in use, with the sign filled in and shifted out (PS3.5 8.1.1). Other
// bits, where overlays or worse may lie, are dropped; only a word that is
// padding, and could not be a value, stays whole.
func (l layout) settle(words []uint16, pad *rawPadding) {
	shift := l.high + 1 - l.stored
	up := 16 - l.stored
	flip := l.flip()
	whole := pad != nil && shift == 0 && !(l.holds(pad.low) && l.holds(pad.high))
	for i, w := range words {
		if whole && pad.has(w, flip) {
			words[i] = w ^ flip
			continue
		}
		w >>= shift
		w <<= up
		if l.signed {
			words[i] = uint16(int16(w)>>up) ^ signBit
		} else {
			words[i] = w >> up
		}
	}
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
