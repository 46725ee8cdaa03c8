package jpegls

import (
	"bytes"
	"encoding/hex"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/dicom/codec/codectest"
	"plumbline/internal/dicom/codec/codestream"
)

// vectors are those of the table; testdata/codec_vectors.py makes them with dcmtk, gdcm and CharLS.
func vectors(t testing.TB) []codectest.Vector {
	t.Helper()
	return codectest.Read(t, "../../../../testdata/jpegls/vectors.csv", 40)
}

func TestVectors(t *testing.T) {
	for _, v := range vectors(t) {
		t.Run(v.Name, func(t *testing.T) {
			dst := make([]uint16, v.Columns*v.Rows)
			precision, lossy, err := Decode(dst, v.Stream, v.Columns, v.Rows, v.Bits)
			require.NoError(t, err)
			assert.Equal(t, v.Precision, precision)
			assert.Equal(t, v.Lossy, lossy)
			assert.Equal(t, v.Digest, codectest.Digest(dst))
		})
	}
}

// example is the coded image of T.87 H.3 (quoted from memory; CharLS 2.4.1
// decodes it to the same samples).
func example(t testing.TB) (stream []byte, samples []uint16) {
	stream, err := hex.DecodeString("FFD8FFF7000B080004000401011100FFDA0008010100000000" +
		"C000006C80208E01C0000057400000" + "6EE6000001BC180000" + "05D800009160FFD9")
	require.NoError(t, err)
	return stream, []uint16{
		0, 0, 90, 74,
		68, 50, 43, 205,
		64, 145, 145, 145,
		100, 145, 145, 145,
	}
}

func TestExampleOfTheStandard(t *testing.T) {
	stream, want := example(t)
	dst := make([]uint16, 16)
	precision, lossy, err := Decode(dst, stream, 4, 4, 8)
	require.NoError(t, err)
	assert.Equal(t, 8, precision)
	assert.False(t, lossy)
	assert.Equal(t, want, dst)
}

// T.87 table C.3, and for NEAR and few levels values worked out by hand from C.2.4.1.1.1.
func TestDefaultThresholds(t *testing.T) {
	for _, c := range []struct{ maxValue, near, t1, t2, t3 int }{
		{255, 0, 3, 7, 21},
		{4095, 0, 18, 67, 276},
		{65535, 0, 18, 67, 276},
		{1023, 0, 6, 19, 72},
		{255, 3, 12, 22, 42},
		{3, 0, 2, 3, 3},
		{15, 0, 2, 3, 4},
	} {
		t1, t2, t3 := defaultThresholds(c.maxValue, c.near)
		assert.Equal(t, []int{c.t1, c.t2, c.t3}, []int{t1, t2, t3}, "%d, near %d", c.maxValue, c.near)
	}
}

// The Golomb parameter, against its definition.
func TestGolombParameter(t *testing.T) {
	for n := 1; n < 80; n++ {
		for a := 0; a < 3000; a++ {
			k := 0
			for n<<k < a {
				k++
			}
			if got := golombParameter(a, n); got != k {
				t.Fatalf("A %d, N %d: %d, expected %d", a, n, got, k)
			}
		}
	}
}

// A stream that is cut is an error, unless only what follows its last sample is gone.
func TestTruncated(t *testing.T) {
	for _, v := range vectors(t) {
		dst := make([]uint16, v.Columns*v.Rows)
		for n := 0; n < len(v.Stream); n++ {
			if n%31 != 0 && len(v.Stream)-n > 8 {
				continue
			}
			_, _, err := Decode(dst, v.Stream[:n], v.Columns, v.Rows, v.Bits)
			if err == nil { // padding, FFFFD9 and a zero
				require.GreaterOrEqual(t, n, len(v.Stream)-5, v.Name)
				require.Equal(t, v.Digest, codectest.Digest(dst), v.Name)
				continue
			}
			var format *codestream.Error
			require.ErrorAs(t, err, &format, v.Name)
			require.False(t, format.Unsupported, v.Name)
			require.LessOrEqual(t, format.Offset, n)
		}
	}
}

func segmentOf(marker byte, body ...byte) []byte {
	n := len(body) + 2
	return append([]byte{0xFF, marker, byte(n >> 8), byte(n)}, body...)
}

func TestErrors(t *testing.T) {
	good, _ := example(t)
	const sof, sos = 2, 15 // where the example has them
	end := len(good) - 2
	changed := func(at int, b ...byte) []byte {
		out := bytes.Clone(good)
		copy(out[at:], b)
		return out
	}
	with := func(i int, insert ...byte) []byte {
		return append(append(bytes.Clone(good[:i]), insert...), good[i:]...)
	}
	lse := func(body ...byte) []byte { return with(sos, segmentOf(codestream.LSE, body...)...) }
	for name, c := range map[string]struct {
		data        []byte
		unsupported bool
		says        string
	}{
		"empty":               {nil, false, "SOI at byte 0: the data do not start with FFD8"},
		"no marker":           {[]byte{0xFF, 0xD8, 0x12}, false, "byte 2 behind it is 12"},
		"only a start":        {[]byte{0xFF, 0xD8}, false, "the data end at byte 2"},
		"no image":            {[]byte{0xFF, 0xD8, 0xFF, 0xD9}, false, "EOI at byte 2: the image ends before its scan"},
		"second start":        {with(2, 0xFF, 0xD8), false, "SOI at byte 2: unexpected"},
		"reserved marker":     {with(2, 0xFF, 0x02, 0, 2), false, "marker FF02 at byte 2: unexpected"},
		"length too short":    {with(2, 0xFF, codestream.COM, 0, 1), false, "COM at byte 2: length 1"},
		"length too long":     {[]byte{0xFF, 0xD8, 0xFF, codestream.APP0, 0, 9, 0}, false, "APP0 at byte 2: length 9, with 3 bytes left"},
		"other JPEG":          {changed(sof+1, 0xC3), true, "another kind than JPEG-LS"},
		"colour":              {with(sof, segmentOf(codestream.SOF55, 8, 0, 4, 0, 4, 3, 1, 17, 0, 2, 17, 0, 3, 17, 0)...), true, "3 components"},
		"size comes later":    {changed(sof+5, 0, 0), true, "the size is left to another marker"},
		"other size":          {changed(sof+6, 5), false, "SOF55 at byte 2: 4 columns by 5 rows, 4 by 4 expected"},
		"17 bits":             {changed(sof+4, 17), false, "17 bits a sample"},
		"1 bit":               {changed(sof+4, 1), false, "1 bits a sample, 2 to 16 expected"},
		"12 bits":             {changed(sof+4, 12), false, "12 bits a sample, at most 8 expected"},
		"frame length":        {changed(sof+9, 2), false, "12 expected for 2 components"},
		"no frame":            {append(bytes.Clone(good[:sof]), good[sos:]...), false, "no frame header before the scan"},
		"two frames":          {append(bytes.Clone(good[:sos]), good[sof:]...), false, "a second frame header"},
		"other component":     {changed(sos+5, 9), false, "does not hold the one component 1"},
		"mapping in the scan": {changed(sos+6, 1), true, "mapping tables"},
		"too near":            {changed(sos+7, 128), false, "deviation of up to 128, at most 127 expected"},
		"interleave":          {changed(sos+8, 3), false, "interleave mode 3"},
		"point transform":     {changed(sos+9, 1), true, "point transform"},
		"empty parameters":    {lse(), false, "LSE at byte 15: it is empty"},
		"short parameters":    {lse(1, 0, 0), false, "3 bytes of coding parameters, 11 expected"},
		"mapping tables":      {lse(2, 0, 0), true, "mapping tables"},
		"large sizes":         {lse(4, 0, 0), true, "more than 65535"},
		"other parameters":    {lse(9, 0, 0), true, "kind 9"},
		"largest sample":      {lse(1, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0), false, "largest sample 256, at most 255 expected"},
		"less than the most":  {lse(1, 0, 200, 0, 0, 0, 0, 0, 0, 0, 0), true, "a largest sample of 200 in 8 bits"},
		"thresholds":          {lse(1, 0, 0, 0, 9, 0, 8, 0, 0, 0, 0), false, "thresholds 9, 8 and 21"},
		"last threshold":      {lse(1, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0), false, "thresholds 3, 7 and 256"},
		"halving too soon":    {lse(1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 2), false, "contexts halve at 2"},
		"halving too late":    {lse(1, 0, 0, 0, 0, 0, 0, 0, 0, 1, 0), false, "contexts halve at 256"},
		"interval length":     {with(sos, segmentOf(codestream.DRI, 1)...), false, "1 bytes, 2 to 4 expected"},
		"restart not there":   {with(sos, segmentOf(codestream.DRI, 0, 2)...), false, "before byte"},
		"more data":           {with(end, 0x55, 0x55), false, "are left before byte"},
		"another scan":        {with(end, 0xFF, codestream.SOS, 0, 2), false, "where the end of the image is expected"},
		"too many zeros":      {append(bytes.Clone(good[:sos+10]), 0x80, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0), false, "the code before byte 33, in row 0, is not valid"},
	} {
		t.Run(name, func(t *testing.T) {
			_, _, err := Decode(make([]uint16, 16), c.data, 4, 4, 8)
			require.Error(t, err)
			assert.Contains(t, err.Error(), c.says)
			var stream *codestream.Error
			require.ErrorAs(t, err, &stream)
			assert.Equal(t, c.unsupported, stream.Unsupported)
		})
	}
	for _, size := range [][3]int{{0, 1, 0}, {1, 0, 0}, {-1, -1, 1}, {4, 4, 15}, {65536, 1, 65536}} {
		_, _, err := Decode(make([]uint16, size[2]), good, size[0], size[1], 16)
		assert.ErrorContains(t, err, "cannot hold")
	}
}

// What the standard allows around an image, and what encoders leave behind it.
func TestAllowedSurroundings(t *testing.T) {
	stream, want := example(t)
	end := len(stream) - 2
	join := func(parts ...[]byte) []byte { return bytes.Join(parts, nil) }
	for name, data := range map[string][]byte{
		"padding":              join(stream, []byte{0}),
		"no end":               stream[:end],
		"half an end":          stream[:end+1],
		"a zero byte more":     join(stream[:end], []byte{0}, stream[end:]),
		"fill bytes":           join(stream[:2], []byte{0xFF, 0xFF}, stream[2:end], []byte{0xFF}, stream[end:]),
		"comment":              join(stream[:2], segmentOf(codestream.COM, 'a'), segmentOf(0xE8, 1), stream[2:]),
		"default parameters":   join(stream[:2], segmentOf(codestream.LSE, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0), stream[2:]),
		"the same, spelt out":  join(stream[:2], segmentOf(codestream.LSE, 1, 0, 255, 0, 3, 0, 7, 0, 21, 0, 64), stream[2:]),
		"long interval, wider": join(stream[:2], segmentOf(codestream.DRI, 1, 0, 0, 0), stream[2:]),
	} {
		dst := make([]uint16, 16)
		_, _, err := Decode(dst, data, 4, 4, 8)
		require.NoError(t, err, name)
		assert.Equal(t, want, dst, name)
	}
}

func FuzzDecode(f *testing.F) {
	stream, _ := example(f)
	f.Add(stream, uint8(4), uint8(4))
	for _, v := range vectors(f) {
		f.Add(v.Stream, uint8(v.Columns), uint8(v.Rows))
	}
	f.Fuzz(func(t *testing.T, data []byte, columns, rows uint8) {
		dst := make([]uint16, int(columns)*int(rows))
		precision, _, err := Decode(dst, data, int(columns), int(rows), 16)
		if err != nil {
			return
		}
		if precision < 2 || precision > 16 {
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
		if v.Columns != 37 || !strings.HasPrefix(v.Name, "lossless-dcmtk") && !strings.HasPrefix(v.Name, "near-2") {
			continue
		}
		b.Run(v.Name, func(b *testing.B) {
			dst := make([]uint16, v.Columns*v.Rows)
			b.SetBytes(int64(2 * len(dst)))
			for b.Loop() {
				if _, _, err := Decode(dst, v.Stream, v.Columns, v.Rows, v.Bits); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
