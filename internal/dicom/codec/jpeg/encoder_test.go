package jpeg

import (
	"math/bits"

	"plumbline/internal/dicom/codec/codestream"
)

// losslessEncoder is a plain encoder of process 14, with fixed Huffman codes.
type losslessEncoder struct {
	precision, selection, point int
	restartRows                 int  // 0 for none
	longCodes                   bool // codes of 1 to 16 bits instead of 5 each

	acc   uint64
	n     int
	bytes []byte
}

func (e *losslessEncoder) put(v, width int) {
	e.acc = e.acc<<width | uint64(v)
	e.n += width
	for e.n >= 8 {
		b := byte(e.acc >> (e.n - 8))
		e.bytes = append(e.bytes, b)
		if b == 0xFF {
			e.bytes = append(e.bytes, 0)
		}
		e.n -= 8
	}
}

func (e *losslessEncoder) flush() {
	if e.n > 0 {
		e.put(1<<(8-e.n)-1, 8-e.n)
	}
}

// code is the Huffman code of a category, 0 to 16.
func (e *losslessEncoder) code(category int) (code, width int) {
	if !e.longCodes {
		return category, 5
	}
	if category == 16 {
		return 1<<16 - 1, 16
	}
	return 1<<(category+1) - 2, category + 1
}

func (e *losslessEncoder) table() []byte {
	counts := make([]byte, 16)
	if e.longCodes {
		for i := range counts {
			counts[i] = 1
		}
		counts[15] = 2
	} else {
		counts[4] = 17
	}
	for category := range 17 {
		counts = append(counts, byte(category))
	}
	return counts
}

func segmentOf(marker byte, body ...byte) []byte {
	n := len(body) + 2
	return append([]byte{0xFF, marker, byte(n >> 8), byte(n)}, body...)
}

func (e *losslessEncoder) encode(samples []uint16, columns, rows int) []byte {
	e.bytes = append([]byte{0xFF, codestream.SOI}, segmentOf(codestream.SOF3, byte(e.precision),
		byte(rows>>8), byte(rows), byte(columns>>8), byte(columns), 1, 7, 0x11, 0)...)
	e.bytes = append(e.bytes, segmentOf(codestream.DHT, append([]byte{0x02}, e.table()...)...)...)
	if e.restartRows > 0 {
		interval := e.restartRows * columns
		e.bytes = append(e.bytes, segmentOf(codestream.DRI, byte(interval>>8), byte(interval))...)
	}
	e.bytes = append(e.bytes, segmentOf(codestream.SOS, 1, 7, 0x20, byte(e.selection), 0, byte(e.point))...)
	at := func(x, y int) int { return int(samples[y*columns+x]) >> e.point }
	for y := range rows {
		first := y == 0
		if e.restartRows > 0 && y > 0 && y%e.restartRows == 0 {
			e.flush()
			e.bytes = append(e.bytes, 0xFF, byte(codestream.RST0+(y/e.restartRows-1)%8))
			first = true
		}
		for x := range columns {
			var p int
			switch {
			case first && x == 0:
				p = 1 << (e.precision - e.point - 1)
			case first:
				p = at(x-1, y)
			case x == 0:
				p = at(x, y-1)
			default:
				a, b, c := at(x-1, y), at(x, y-1), at(x-1, y-1)
				p = [...]int{0, a, b, c, a + b - c, a + (b-c)>>1, b + (a-c)>>1, (a + b) >> 1}[e.selection]
			}
			e.putDifference(at(x, y) - p)
		}
	}
	e.flush()
	return append(e.bytes, 0xFF, codestream.EOI)
}

// putDifference codes a difference modulo 2^16, -32767 to 32768 (table H.2).
func (e *losslessEncoder) putDifference(d int) {
	d = int(int16(d))
	if d == -32768 {
		e.put(e.code(16))
		return
	}
	size := bits.Len(uint(max(d, -d)))
	e.put(e.code(size))
	if d < 0 {
		d += 1<<size - 1
	}
	e.put(d, size)
}
