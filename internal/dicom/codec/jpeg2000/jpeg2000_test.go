package jpeg2000

import (
	"bytes"
	"encoding/binary"
	"runtime"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/dicom/codec/codectest"
	"plumbline/internal/dicom/codec/codestream"
)

// vectors are those of the table; testdata/vectors.py makes them with OpenJPEG, gdcm and FFmpeg.
func vectors(t testing.TB) []codectest.Vector {
	t.Helper()
	return codectest.Read(t, "testdata/vectors.csv", 100)
}

func find(t testing.TB, name string) codectest.Vector {
	t.Helper()
	for _, v := range vectors(t) {
		if v.Name == name {
			return v
		}
	}
	t.Fatalf("no vector %s", name)
	return codectest.Vector{}
}

// value is what a word says.
func value(v codectest.Vector, w uint16) int {
	if v.Signed && w>>(v.Precision-1) == 1 {
		return int(w) - 1<<v.Precision
	}
	return int(w)
}

// Reversible streams, whole or cut to a rate, decode to the bit; irreversible
// ones to the step, as a rounding may fall on the other side.
func TestVectors(t *testing.T) {
	for _, v := range vectors(t) {
		t.Run(v.Name, func(t *testing.T) {
			dst := make([]uint16, v.Columns*v.Rows)
			precision, signed, lossy, err := Decode(dst, v.Stream, v.Columns, v.Rows, 16)
			require.NoError(t, err)
			assert.Equal(t, v.Precision, precision)
			assert.Equal(t, v.Signed, signed)
			assert.Equal(t, v.Lossy, lossy)
			if v.Words == nil {
				assert.Equal(t, v.Digest, codectest.Digest(dst))
				return
			}
			require.Equal(t, v.Digest, codectest.Digest(v.Words))
			for i, w := range dst {
				require.InDelta(t, value(v, v.Words[i]), value(v, w), 1, "sample %d", i)
			}
		})
	}
}

// A stream that is cut is an error, unless only the end marker is gone.
func TestTruncated(t *testing.T) {
	for _, v := range vectors(t) {
		if strings.HasPrefix(v.Name, "boxes") || strings.HasPrefix(v.Name, "ffmpeg") {
			continue // boxes say how long they are; the other ends with padding
		}
		dst := make([]uint16, v.Columns*v.Rows)
		for n := 0; n < len(v.Stream); n++ {
			if n%37 != 0 && len(v.Stream)-n > 8 {
				continue
			}
			_, _, _, err := Decode(dst, v.Stream[:n], v.Columns, v.Rows, 16)
			if err == nil {
				require.GreaterOrEqual(t, n, len(bytes.TrimRight(v.Stream, "\x00"))-2, v.Name)
				continue
			}
			var format *codestream.Error
			require.ErrorAs(t, err, &format, v.Name)
			require.False(t, format.Unsupported, v.Name)
			require.LessOrEqual(t, format.Offset, n)
		}
	}
}

// parts splits a stream into the segments of its main header, by marker, and the
// rest from the first SOT on.
func parts(t testing.TB, stream []byte) (head map[byte][]byte, order []byte, rest []byte) {
	head = map[byte][]byte{}
	at := 2
	for stream[at+1] != markerSOT {
		n := 2 + codestream.Uint16(stream[at+2:])
		head[stream[at+1]] = stream[at+4 : at+n]
		order = append(order, stream[at+1])
		at += n
	}
	return head, order, stream[at:]
}

func segmentOf(marker byte, body ...byte) []byte {
	n := len(body) + 2
	return append([]byte{0xFF, marker, byte(n >> 8), byte(n)}, body...)
}

// edit changes a stream's segments and gives it anew.
func edit(t testing.TB, stream []byte, change func(head map[byte][]byte)) []byte {
	head, order, rest := parts(t, stream)
	for m := range head {
		head[m] = bytes.Clone(head[m])
	}
	change(head)
	out := []byte{0xFF, markerSOC}
	for _, m := range order {
		if body, ok := head[m]; ok {
			out = append(out, segmentOf(m, body...)...)
			delete(head, m)
		}
	}
	for m, body := range head {
		out = append(out, segmentOf(m, body...)...)
	}
	return append(out, rest...)
}

func TestErrors(t *testing.T) {
	v := find(t, "reversible-openjpeg-12-bit-unsigned")
	good := v.Stream
	put := func(marker byte, at int, b ...byte) []byte {
		return edit(t, good, func(head map[byte][]byte) { copy(head[marker][at:], b) })
	}
	set := func(marker byte, b ...byte) []byte {
		return edit(t, good, func(head map[byte][]byte) { head[marker] = b })
	}
	without := func(marker byte) []byte {
		return edit(t, good, func(head map[byte][]byte) { delete(head, marker) })
	}
	extra := func(marker byte, b ...byte) []byte { // a further segment before the first tile
		_, _, rest := parts(t, good)
		at := len(good) - len(rest)
		return append(append(bytes.Clone(good[:at]), segmentOf(marker, b...)...), rest...)
	}
	head, _, rest := parts(t, good)
	sot := len(good) - len(rest)
	inTile := func(marker byte, b ...byte) []byte { // a segment in the tile's header
		s := segmentOf(marker, b...)
		out := append(append(bytes.Clone(good[:sot+12]), s...), good[sot+12:]...)
		binary.BigEndian.PutUint32(out[sot+6:], binary.BigEndian.Uint32(out[sot+6:])+uint32(len(s)))
		return out
	}
	changed := func(at int, b ...byte) []byte {
		out := bytes.Clone(good)
		copy(out[at:], b)
		return out
	}
	cod, qcd := head[markerCOD], head[markerQCD]
	join := func(a []byte, b ...byte) []byte { return append(bytes.Clone(a), b...) }
	for name, c := range map[string]struct {
		data        []byte
		unsupported bool
		says        string
	}{
		"empty":                   {nil, false, "SOC at byte 0: the data do not start with FF4F"},
		"other data":              {[]byte("nothing of the kind"), false, "do not start with FF4F"},
		"only a start":            {good[:2], false, "SOC at byte 0: the data end at byte 2"},
		"no marker":               {append(bytes.Clone(good[:2]), 1, 2, 3), false, "byte 2 behind it is 01"},
		"boxes only":              {append(bytes.Clone(jp2Signature), 0, 0, 0, 8, 'f', 'r', 'e', 'e'), false, "the boxes end before the codestream"},
		"box too long":            {append(bytes.Clone(jp2Signature), 0, 0, 0, 99, 'j', 'p', '2', 'c'), false, "the boxes end before"},
		"box without end":         {append(bytes.Clone(jp2Signature), 0, 0, 0, 1, 'j', 'p', '2', 'c'), false, "the boxes end before"},
		"palette":                 {append(bytes.Clone(jp2Signature), 0, 0, 0, 16, 'j', 'p', '2', 'h', 0, 0, 0, 8, 'p', 'c', 'l', 'r'), true, "a palette"},
		"second start":            {extra(markerSOC), false, "SOC at byte "},
		"size not first":          {without(markerSIZ), false, "SIZ, does not come first"},
		"second size":             {extra(markerSIZ, head[markerSIZ]...), false, "a second one"},
		"short size":              {set(markerSIZ, 1, 2, 3), false, "3 bytes do not make one"},
		"colour":                  {set(markerSIZ, append(join(head[markerSIZ][:34], 0, 3), 7, 1, 1, 7, 1, 1, 7, 1, 1)...), true, "3 components"},
		"part 2":                  {put(markerSIZ, 0, 0x80), true, "part 2"},
		"high throughput":         {put(markerSIZ, 0, 0x40), true, "high-throughput"},
		"capabilities":            {extra(markerCAP, 0, 0, 0, 0), true, "CAP at byte "},
		"huge grid":               {put(markerSIZ, 2, 0x80), true, "a reference grid of more than"},
		"other size":              {put(markerSIZ, 5, 38), false, "38 columns by 29 rows, 37 by 29 expected"},
		"no tile size":            {put(markerSIZ, 18, 0, 0, 0, 0), false, "the first tile, 0 by 29"},
		"tile off the image":      {put(markerSIZ, 26, 0, 0, 0, 1), false, "does not hold the image's first sample"},
		"too many tiles":          {put(markerSIZ, 18, 0, 0, 0, 1, 0, 0, 0, 1), false, "37 by 29 tiles, more than"},
		"subsampling":             {put(markerSIZ, 37, 2), true, "one sample for 2 by 1 points"},
		"17 bits":                 {put(markerSIZ, 36, 16), true, "17 bits a sample"},
		"no coding style":         {without(markerCOD), false, "the coding style, COD, is missing"},
		"no quantization":         {without(markerQCD), false, "the quantization, QCD, is missing"},
		"second coding style":     {extra(markerCOD, cod...), false, "COD at byte "},
		"short coding style":      {set(markerCOD, 0, 0), false, "2 bytes, 10 expected at least"},
		"order 5":                 {put(markerCOD, 1, 5), false, "progression order 5"},
		"no layers":               {put(markerCOD, 2, 0, 0), false, "no layers"},
		"array transform":         {put(markerCOD, 4, 2), true, "component transform 2"},
		"coding style 8":          {put(markerCOD, 0, 8), true, "style 08"},
		"33 levels":               {put(markerCOD, 5, 33), false, "33 levels"},
		"style too long":          {set(markerCOD, join(cod, 1)...), false, "6 bytes of coding style, 5 expected"},
		"large blocks":            {put(markerCOD, 6, 5, 4), false, "code-blocks of 2^7 by 2^6"},
		"high throughput blocks":  {put(markerCOD, 8, 0x40), true, "high-throughput"},
		"block style 80":          {put(markerCOD, 8, 0x80), true, "code-block style 80"},
		"wavelet 2":               {put(markerCOD, 9, 2), true, "wavelet transform 2"},
		"precincts of one":        {set(markerCOD, join([]byte{1}, append(bytes.Clone(cod[1:]), 0x11, 0x10, 0x11, 0x11, 0x11)...)...), false, "precincts of one sample at resolution 1"},
		"style of another":        {extra(markerCOC, 1, 0, 4, 4, 4, 0, 1), false, "COC at byte "},
		"quantization empty":      {set(markerQCD), false, "it is empty"},
		"quantization of kind 3":  {put(markerQCD, 0, 0x43), true, "quantization of kind 3"},
		"half a step":             {set(markerQCD, 0x42, 1, 2, 3), false, "3 bytes of steps"},
		"few steps":               {set(markerQCD, qcd[:5]...), false, "4 steps of quantization, 13 expected"},
		"quantized reversibly":    {set(markerQCD, 0x41, 0x40, 0), false, "quantization with the reversible transform"},
		"derived without bits":    {edit(t, good, func(h map[byte][]byte) { h[markerQCD] = []byte{0x41, 0, 0}; h[markerCOD][9] = 0 }), false, "left without bits"},
		"quantization of another": {extra(markerQCC, 1, 0x40, 0x40), false, "QCC at byte "},
		"region of style 1":       {extra(markerRGN, 0, 1, 3), true, "regions of interest of style 1"},
		"region of another":       {extra(markerRGN, 1, 0, 3), false, "RGN at byte "},
		"changes of odd length":   {extra(markerPOC, 0, 0), false, "a multiple of 7"},
		"change to order 9":       {extra(markerPOC, 0, 0, 0, 1, 5, 1, 9), false, "a change to order 9"},
		"many changes":            {extra(markerPOC, bytes.Repeat([]byte{0, 0, 0, 1, 5, 1, 0}, 257)...), true, "more than 256 changes"},
		"changes leave some out":  {extra(markerPOC, 0, 0, 0, 1, 3, 1, 0), false, "2 of 5 packets have no place"},
		"packed headers":          {extra(markerPPM, 0), true, "PPM at byte "},
		"packed in the tile":      {inTile(markerPPT, 0), true, "PPT at byte "},
		"of part 2":               {extra(0x74, 0), true, "marker FF74 at byte "},
		"size in the tile":        {inTile(markerSIZ, head[markerSIZ]...), false, "SIZ at byte "},
		"length 1":                {append(bytes.Clone(good[:2]), 0xFF, markerSIZ, 0, 1), false, "SIZ at byte 2: length 1"},
		"length too long":         {append(bytes.Clone(good[:2]), 0xFF, markerSIZ, 0, 99), false, "length 99, with 2 bytes left"},
		"tile 2 of 1":             {changed(sot+4, 0, 1), false, "SOT at byte " + strconv.Itoa(sot) + ": tile 2 of 1"},
		"second part first":       {changed(sot+10, 1), false, "part 2 of tile 1, part 1 expected"},
		"tile ends early":         {changed(sot+6, 0, 0, 0, 13), false, "before its data"},
		"tile ends late":          {changed(sot+6, 0, 0xFF), false, "the data end at byte"},
		"no tile":                 {append(bytes.Clone(good[:sot]), 0xFF, markerEOC), false, "EOC at byte "},
		"missing tile":            {put(markerSIZ, 18, 0, 0, 0, 20), false, "EOC at byte "},
		"more data":               {append(append(bytes.Clone(good[:len(good)-2]), 1, 2), good[len(good)-2:]...), false, "byte " + strconv.Itoa(len(good)-2) + " behind it is 01"},
		"data behind packets":     {openEnd(append(bytes.Clone(good[:len(good)-2]), 1, 2), sot), false, "2 bytes are left behind its last packet"},
		"more layers":             {put(markerCOD, 2, 0xFF, 0xFF), false, "bytes are too few for 65535 layers"},
	} {
		t.Run(name, func(t *testing.T) {
			_, _, _, err := Decode(make([]uint16, v.Columns*v.Rows), c.data, v.Columns, v.Rows, 16)
			require.Error(t, err)
			assert.Contains(t, err.Error(), c.says)
			var stream *codestream.Error
			require.ErrorAs(t, err, &stream)
			assert.Equal(t, c.unsupported, stream.Unsupported, err)
		})
	}
	_, _, _, err := Decode(make([]uint16, v.Columns*v.Rows), good, v.Columns, v.Rows, 8)
	assert.ErrorContains(t, err, "12 bits a sample, at most 8 expected")
	for _, size := range [][3]int{{0, 1, 0}, {1, 0, 0}, {-1, -1, 1}, {4, 4, 15}, {65536, 1, 65536}} {
		_, _, _, err := Decode(make([]uint16, size[2]), good, size[0], size[1], 16)
		assert.ErrorContains(t, err, "cannot hold")
	}
}

// openEnd leaves the length of the tile-part whose SOT is at a byte to the end of
// the data.
func openEnd(stream []byte, sot int) []byte {
	out := bytes.Clone(stream)
	copy(out[sot+6:], []byte{0, 0, 0, 0})
	return out
}

// What the standard allows around an image and instead of what encoders write.
func TestAllowedForms(t *testing.T) {
	v := find(t, "reversible-openjpeg-12-bit-unsigned")
	head, _, rest := parts(t, v.Stream)
	sot := len(v.Stream) - len(rest)
	join := func(parts ...[]byte) []byte { return bytes.Join(parts, nil) }
	before := func(segments ...[]byte) []byte { return join(v.Stream[:sot], join(segments...), rest) }
	inTile := func(segments ...[]byte) []byte {
		s := join(segments...)
		out := join(v.Stream[:sot+12], s, v.Stream[sot+12:])
		binary.BigEndian.PutUint32(out[sot+6:], binary.BigEndian.Uint32(out[sot+6:])+uint32(len(s)))
		return out
	}
	cod, qcd := head[markerCOD], head[markerQCD]
	wrong := edit(t, v.Stream, func(h map[byte][]byte) { h[markerCOD][8], h[markerQCD][0] = styleCausal, 0x20 })
	repaired := func(where int, segments ...[]byte) []byte {
		out := join(wrong[:where], join(segments...), wrong[where:])
		if where > sot {
			binary.BigEndian.PutUint32(out[sot+6:], binary.BigEndian.Uint32(out[sot+6:])+uint32(len(out)-len(wrong)))
		}
		return out
	}
	box := func(kind string, content []byte) []byte {
		return join(binary.BigEndian.AppendUint32(nil, uint32(8+len(content))), []byte(kind), content)
	}
	long := join([]byte{0, 0, 0, 1}, []byte("jp2c"), binary.BigEndian.AppendUint64(nil, uint64(16+len(v.Stream))), v.Stream)
	for name, data := range map[string][]byte{
		"padding":                         join(v.Stream, []byte{0}),
		"no end":                          v.Stream[:len(v.Stream)-2],
		"half an end":                     v.Stream[:len(v.Stream)-1],
		"open end":                        openEnd(v.Stream, sot),
		"open end, padding":               openEnd(join(v.Stream, []byte{0}), sot),
		"open end, no end":                openEnd(v.Stream[:len(v.Stream)-2], sot),
		"lists of lengths, places":        before(segmentOf(markerTLM, 0, 0), segmentOf(markerPLM, 0), segmentOf(markerCRG, 0, 0, 0, 0)),
		"the component's own parameters":  repaired(sot, segmentOf(markerCOC, join([]byte{0, 0}, cod[5:])...), segmentOf(markerQCC, join([]byte{0}, qcd)...)),
		"the tile's parameters":           repaired(sot+12, segmentOf(markerCOD, cod...), segmentOf(markerQCD, qcd...)),
		"the component's own in the tile": repaired(sot+12, segmentOf(markerCOC, join([]byte{0, 0}, cod[5:])...), segmentOf(markerQCC, join([]byte{0}, qcd)...)),
		"the tile's before the general":   repaired(sot+12, segmentOf(markerQCC, join([]byte{0}, qcd)...), segmentOf(markerQCD, 0x20, 0x40), segmentOf(markerCOC, join([]byte{0, 0}, cod[5:])...)),
		"lengths in the tile":             inTile(segmentOf(markerPLT, 0, 1), segmentOf(markerCOM, 0, 1, 'a')),
		"a change that changes nothing":   before(segmentOf(markerPOC, 0, 0, 0, 9, 33, 1, 0)),
		"the tile's change over another":  join(before(segmentOf(markerPOC, 0, 0, 0, 1, 1, 1, 0))[:sot+11], inTile(segmentOf(markerPOC, 0, 0, 0, 1, 5, 1, 3))[sot:]),
		"steps for more levels":           edit(t, v.Stream, func(h map[byte][]byte) { h[markerQCD] = join(qcd, []byte{0x40, 0x40, 0x40}) }),
		"a transform of no components":    edit(t, v.Stream, func(h map[byte][]byte) { h[markerCOD][4] = 1 }),
		"boxes":                           join(jp2Signature, box("ftyp", nil), box("jp2h", box("ihdr", make([]byte, 14))), box("jp2c", v.Stream)),
		"a box to the end":                join(jp2Signature, []byte{0, 0, 0, 0}, []byte("jp2c"), v.Stream),
		"a long box":                      join(jp2Signature, long),
	} {
		t.Run(name, func(t *testing.T) {
			dst := make([]uint16, v.Columns*v.Rows)
			_, _, lossy, err := Decode(dst, data, v.Columns, v.Rows, 16)
			require.NoError(t, err)
			assert.False(t, lossy)
			assert.Equal(t, v.Digest, codectest.Digest(dst))
		})
	}
	dst := make([]uint16, v.Columns*v.Rows)
	_, _, _, err := Decode(dst, wrong, v.Columns, v.Rows, 16)
	assert.True(t, err != nil || codectest.Digest(dst) != v.Digest, "the wrong parameters must do harm, or the cases above show nothing")
}

// A symbol behind each bit plane that is not what it must be is damage.
func TestSegmentationSymbol(t *testing.T) {
	v := find(t, "style-32-layers")
	_, _, rest := parts(t, v.Stream)
	from := len(v.Stream) - len(rest) + 14
	dst := make([]uint16, v.Columns*v.Rows)
	found := false
	for at := from + 40; at < len(v.Stream)-2 && !found; at++ {
		damaged := bytes.Clone(v.Stream)
		damaged[at] ^= 0x20
		_, _, _, err := Decode(dst, damaged, v.Columns, v.Rows, 16)
		found = err != nil && strings.Contains(err.Error(), "segmentation symbol is wrong")
	}
	assert.True(t, found)
}

// Headers that promise much take little memory: at most 20 bytes a sample, 64 MB
// and some for the data.
func TestMemory(t *testing.T) {
	const side = 2048
	v := find(t, "block-4x4")
	small := edit(t, v.Stream, func(h map[byte][]byte) {
		for _, at := range []int{2, 6, 18, 22} {
			binary.BigEndian.PutUint32(h[markerSIZ][at:], side)
		}
	})
	precincts := edit(t, small, func(h map[byte][]byte) {
		h[markerCOD] = append(h[markerCOD], bytes.Repeat([]byte{0xF1}, 1+int(h[markerCOD][5]))...)
		h[markerCOD][0] = 1
	})
	dst := make([]uint16, side*side)
	for name, data := range map[string][]byte{"small blocks": small, "narrow precincts": precincts, "of many bytes": append(bytes.Clone(precincts), make([]byte, 1<<20)...)} {
		if name == "of many bytes" {
			_, _, rest := parts(t, precincts)
			data = openEnd(append(data, 1), len(precincts)-len(rest))
		}
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, _, _, err := Decode(dst, data, side, side, 16)
		runtime.ReadMemStats(&after)
		require.Error(t, err, name)
		assert.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(20*side*side+64<<20+250*len(data)), name)
	}
}

func FuzzDecode(f *testing.F) {
	for _, v := range vectors(f) {
		f.Add(v.Stream, uint8(v.Columns), uint8(v.Rows))
	}
	f.Fuzz(func(t *testing.T, data []byte, columns, rows uint8) {
		dst := make([]uint16, int(columns)*int(rows))
		precision, _, _, err := Decode(dst, data, int(columns), int(rows), 16)
		if err != nil {
			return
		}
		if precision < 1 || precision > 16 {
			t.Fatalf("precision %d", precision)
		}
		for i, v := range dst {
			if int(v)>>precision != 0 {
				t.Fatalf("sample %d is %d in %d bits", i, v, precision)
			}
		}
	})
}

func BenchmarkDecode(b *testing.B) {
	for _, v := range vectors(b) {
		if v.Columns != 64 && v.Name != "irreversible-openjpeg-12-bit-unsigned" {
			continue
		}
		b.Run(v.Name, func(b *testing.B) {
			dst := make([]uint16, v.Columns*v.Rows)
			b.SetBytes(int64(2 * len(dst)))
			for b.Loop() {
				if _, _, _, err := Decode(dst, v.Stream, v.Columns, v.Rows, 16); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
