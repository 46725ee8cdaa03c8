package jpeg2000

// The decoder of a code-block (annex D) walks over stripes of four rows, column
// by column. One word holds what is known of such a column: whether its
// coefficients and those around are significant, 18 bits in rows of three from
// above the column to below; and then, three bits further for each row, signs,
// refinement and visits, so that a row's bits are those of the first one shifted
// by three.
const (
	west     = 1 << 3 // of the first row
	self     = 1 << 4
	east     = 1 << 5
	around   = 0x1EF // the eight neighbours of the first row
	anywhere = 1<<18 - 1

	aboveSign   = 18 // the sign above the first row
	signBit     = 19 // of the first row; the last row's shifted by three is the sign below
	refinedBit  = 20
	visitedBit  = 21
	visitedAll  = 0x249 << visitedBit
	selfAll     = 0x249 << 4
	maxPlanes   = 30 // int32 has a sign and half a step besides
	stripeRows  = 4
	bitsOfRow   = 3
	passesAll   = 1 << 14 // more than there can be
	bypassFrom  = 10      // the pass that can be raw first
	kindsOfPass = 3
)

// segmentPasses is how many passes fit into a codeword segment whose first one
// has a number (D.4, tables D.8 and D.9).
func segmentPasses(first int32, flags byte) int16 {
	switch {
	case flags&styleTerminate != 0:
		return 1
	case flags&styleBypass == 0:
		return passesAll
	case first < bypassFrom:
		return int16(bypassFrom - first)
	case first%kindsOfPass == 1:
		return 2
	}
	return 1
}

// zeroContexts is table D.1: the context by the neighbours' bits, for each kind
// of band.
var zeroContexts = makeZeroContexts()

func makeZeroContexts() (t [4][512]uint8) {
	for kind := range t {
		for n := range 512 {
			bit := func(i int) int { return n >> i & 1 }
			h, v, d := bit(3)+bit(5), bit(1)+bit(7), bit(0)+bit(2)+bit(6)+bit(8)
			if kind == bandHL {
				h, v = v, h
			}
			var c uint8
			switch {
			case kind == bandHH:
				switch {
				case d >= 3:
					c = 8
				case d == 2:
					c = uint8(6 + min(h+v, 1))
				case d == 1:
					c = uint8(3 + min(h+v, 2))
				default:
					c = uint8(min(h+v, 2))
				}
			case h == 2:
				c = 8
			case h == 1 && v >= 1:
				c = 7
			case h == 1:
				c = uint8(5 + min(d, 1))
			case v > 0:
				c = uint8(2 + v)
			default:
				c = uint8(min(d, 2))
			}
			t[kind][n] = c
		}
	}
	return t
}

// signContexts is table D.3 by the neighbours west, east, above and below, two
// bits each: significant, and negative. The top bit is the sign that is expected.
var signContexts = makeSignContexts()

func makeSignContexts() (t [256]uint8) {
	for n := range t {
		of := func(i int) int { // contribution, table D.2
			if n>>(2*i)&1 == 0 {
				return 0
			}
			return 1 - 2*(n>>(2*i+1)&1)
		}
		h, v := max(-1, min(1, of(0)+of(1))), max(-1, min(1, of(2)+of(3)))
		flip := h < 0 || h == 0 && v < 0
		if flip {
			h, v = -h, -v
		}
		c := contextSign
		switch {
		case h == 1:
			c += 3 + v
		case v != 0:
			c++
		}
		t[n] = uint8(c)
		if flip {
			t[n] |= 0x80
		}
	}
	return t
}

// blockCoder decodes one code-block after the other.
type blockCoder struct {
	mq     arithmetic
	raw    bitReader
	w, h   int
	across int      // words of a stripe, with one more on each side
	words  []uint32 // with one more stripe above and below
	// values holds coefficients times two: the half is for the middle of the
	// interval that the planes decoded so far leave open.
	values []int32
	zero   *[512]uint8
	causal bool
}

// decode decodes a block's passes. It reports whether the segmentation symbols
// were right, but for the last of a block that is not coded to the end: encoders
// cut its codeword where they reckon that the pass ends, not the symbol.
func (b *blockCoder) decode(segments []segment, w, h, planes, kind int, flags byte) bool {
	b.w, b.h, b.across = w, h, w+2
	b.words = grown(b.words, b.across*((h+stripeRows-1)/stripeRows+2))
	b.values = grown(b.values, w*h)
	b.zero, b.causal = &zeroContexts[kind], flags&styleCausal != 0
	b.mq.contexts = firstContexts
	pass, last := 0, -1
	for _, s := range segments {
		last += int(s.passes)
	}
	for i := range segments {
		raw := flags&styleBypass != 0 && pass >= bypassFrom && pass%kindsOfPass != 0
		if raw {
			b.raw = bitReader{data: segments[i].data}
		} else {
			b.mq.begin(segments[i].data)
		}
		for range segments[i].passes {
			// The unit of the pass's bit plane; values have one more.
			one := int32(2) << (planes - 1 - (pass+2)/kindsOfPass)
			switch {
			case pass%kindsOfPass == 0:
				b.cleanUp(one)
				if flags&styleSegmentation != 0 && b.segmentation() != 0xA && (pass < last || one == 2) {
					return false
				}
			case pass%kindsOfPass == 1 && raw:
				b.propagateRaw(one)
			case pass%kindsOfPass == 1:
				b.propagate(one)
			case raw:
				b.refineRaw(one)
			default:
				b.refine(one)
			}
			if flags&styleReset != 0 {
				b.mq.contexts = firstContexts
			}
			pass++
		}
	}
	return true
}

// segmentation reads the symbol behind a bit plane (D.5).
func (b *blockCoder) segmentation() (v uint32) {
	for range 4 {
		v = v<<1 | b.mq.symbol(&b.mq.contexts[contextUniform])
	}
	return v
}

// unshift puts coefficients of a region of interest back to where the others
// are (H.1).
func (b *blockCoder) unshift(by int) {
	if by >= maxPlanes {
		return // all coefficients are below
	}
	least := int32(2) << by
	for i, v := range b.values {
		if v >= least {
			b.values[i] = v >> by
		} else if v <= -least {
			b.values[i] = -(-v >> by)
		}
	}
}

// signOf decodes the sign of a coefficient, 1 for negative (D.3.2).
func (b *blockCoder) signOf(p, row int) uint32 {
	word := b.words[p]
	shift := bitsOfRow * row
	left, right := b.words[p-1], b.words[p+1]
	n := word >> (3 + shift) & 1
	n |= left >> (signBit + shift) & 1 << 1
	n |= word >> (5 + shift) & 1 << 2
	n |= right >> (signBit + shift) & 1 << 3
	n |= word >> (1 + shift) & 1 << 4
	if row == 0 {
		n |= word >> aboveSign & 1 << 5
	} else {
		n |= word >> (signBit - bitsOfRow + shift) & 1 << 5
	}
	n |= word >> (7 + shift) & 1 << 6
	n |= word >> (signBit + bitsOfRow + shift) & 1 << 7
	c := signContexts[n]
	return b.mq.symbol(&b.mq.contexts[c&0x7F]) ^ uint32(c>>7)
}

// signify makes a coefficient significant for itself and its neighbours, and
// gives its value.
func (b *blockCoder) signify(p, row int, sign uint32, one int32) int32 {
	shift := bitsOfRow * row
	w := b.words
	w[p-1] |= east << shift
	w[p] |= (self | sign<<signBit) << shift
	w[p+1] |= west << shift
	if row == 0 && !b.causal {
		up := p - b.across
		w[up-1] |= 1 << 17
		w[up] |= 1<<16 | sign<<(signBit+4*bitsOfRow)
		w[up+1] |= 1 << 15
	}
	if row == stripeRows-1 {
		down := p + b.across
		w[down-1] |= 1 << 2
		w[down] |= 1<<1 | sign<<aboveSign
		w[down+1] |= 1
	}
	v := one + one>>1
	if sign != 0 {
		return -v
	}
	return v
}

// refined moves a value to the middle of the half that a bit says.
func refined(v int32, bit uint32, one int32) int32 {
	up := one >> 1
	if (bit == 0) != (v < 0) {
		up = -up
	}
	return v + up
}

// propagate is the significance propagation pass (D.3.1).
func (b *blockCoder) propagate(one int32) {
	for y := 0; y < b.h; y += stripeRows {
		rows := min(stripeRows, b.h-y)
		first := (y/stripeRows+1)*b.across + 1
		for x := range b.w {
			p := first + x
			word := b.words[p]
			if word&anywhere == 0 {
				continue
			}
			for row := range rows {
				shift := bitsOfRow * row
				near := word >> shift
				if near&self != 0 || near&around == 0 {
					continue
				}
				if b.mq.symbol(&b.mq.contexts[contextZero+b.zero[near&around]]) != 0 {
					sign := b.signOf(p, row)
					b.values[(y+row)*b.w+x] = b.signify(p, row, sign, one)
				}
				b.words[p] |= 1 << (visitedBit + shift)
				word = b.words[p]
			}
		}
	}
}

func (b *blockCoder) propagateRaw(one int32) {
	for y := 0; y < b.h; y += stripeRows {
		rows := min(stripeRows, b.h-y)
		first := (y/stripeRows+1)*b.across + 1
		for x := range b.w {
			p := first + x
			for row := range rows {
				shift := bitsOfRow * row
				near := b.words[p] >> shift
				if near&self != 0 || near&around == 0 {
					continue
				}
				if b.raw.bit() != 0 {
					b.values[(y+row)*b.w+x] = b.signify(p, row, b.raw.bit(), one)
				}
				b.words[p] |= 1 << (visitedBit + shift)
			}
		}
	}
}

// refine is the magnitude refinement pass (D.3.3).
func (b *blockCoder) refine(one int32) {
	for y := 0; y < b.h; y += stripeRows {
		rows := min(stripeRows, b.h-y)
		first := (y/stripeRows+1)*b.across + 1
		words := b.words[first:][:b.w]
		for x, word := range words {
			if word&selfAll == 0 {
				continue
			}
			for row := range rows {
				near := word >> (bitsOfRow * row)
				if near&(self|1<<visitedBit) != self {
					continue
				}
				c := contextRefine
				if near>>refinedBit&1 != 0 {
					c += 2
				} else if near&around != 0 {
					c++
				}
				v := &b.values[(y+row)*b.w+x]
				*v = refined(*v, b.mq.symbol(&b.mq.contexts[c]), one)
				word |= 1 << (refinedBit + bitsOfRow*row)
			}
			words[x] = word
		}
	}
}

func (b *blockCoder) refineRaw(one int32) {
	for y := 0; y < b.h; y += stripeRows {
		rows := min(stripeRows, b.h-y)
		first := (y/stripeRows+1)*b.across + 1
		for x := range b.w {
			for row := range rows {
				word := &b.words[first+x]
				if *word>>(bitsOfRow*row)&(self|1<<visitedBit) != self {
					continue
				}
				v := &b.values[(y+row)*b.w+x]
				*v = refined(*v, b.raw.bit(), one)
				*word |= 1 << (refinedBit + bitsOfRow*row)
			}
		}
	}
}

// cleanUp is the cleanup pass (D.3.4), with which a bit plane ends.
func (b *blockCoder) cleanUp(one int32) {
	for y := 0; y < b.h; y += stripeRows {
		rows := min(stripeRows, b.h-y)
		first := (y/stripeRows+1)*b.across + 1
		for x := range b.w {
			p := first + x
			row := 0
			if b.words[p] == 0 && rows == stripeRows {
				if b.mq.symbol(&b.mq.contexts[contextRun]) == 0 {
					continue
				}
				row = int(b.mq.symbol(&b.mq.contexts[contextUniform]) << 1)
				row |= int(b.mq.symbol(&b.mq.contexts[contextUniform]))
				b.values[(y+row)*b.w+x] = b.signify(p, row, b.signOf(p, row), one)
				row++
			}
			for ; row < rows; row++ {
				near := b.words[p] >> (bitsOfRow * row)
				if near&(self|1<<visitedBit) != 0 {
					continue
				}
				if b.mq.symbol(&b.mq.contexts[contextZero+b.zero[near&around]]) != 0 {
					b.values[(y+row)*b.w+x] = b.signify(p, row, b.signOf(p, row), one)
				}
			}
			b.words[p] &^= visitedAll
		}
	}
}
