package rle

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"plumbline/internal/dicom/codec/codectest"
	"plumbline/internal/dicom/codec/codestream"
	_ "plumbline/internal/seeded" // of rapid
)

// vectors are those of the table; testdata/codec_vectors.py makes them with dcmtk and gdcm.
func vectors(t testing.TB) []codectest.Vector {
	t.Helper()
	return codectest.Read(t, "../../../../testdata/rle/vectors.csv", 10)
}

// frame joins segments behind a header (PS3.5 G.5).
func frame(segments ...[]byte) []byte {
	out := make([]byte, headerLen)
	binary.LittleEndian.PutUint32(out, uint32(len(segments)))
	for i, s := range segments {
		binary.LittleEndian.PutUint32(out[4*(i+1):], uint32(len(out)))
		out = append(out, s...)
	}
	return out
}

// pack is a plain PackBits encoder (PS3.5 G.3.1).
func pack(plane []byte) []byte {
	var out []byte
	for i := 0; i < len(plane); {
		run := 1
		for i+run < len(plane) && run < 128 && plane[i+run] == plane[i] {
			run++
		}
		if run > 1 {
			out = append(out, byte(257-run), plane[i])
			i += run
			continue
		}
		end := i + 1
		for end < len(plane) && end-i < 128 && (end+1 == len(plane) || plane[end] != plane[end+1]) {
			end++
		}
		out = append(append(out, byte(end-i-1)), plane[i:end]...)
		i = end
	}
	return out
}

func TestVectors(t *testing.T) {
	for _, v := range vectors(t) {
		t.Run(v.Name, func(t *testing.T) {
			dst := make([]uint16, v.Columns*v.Rows)
			precision, lossy, err := Decode(dst, v.Stream, v.Columns, v.Rows, v.Bits)
			require.NoError(t, err)
			assert.Equal(t, v.Precision, precision)
			assert.False(t, lossy)
			assert.Equal(t, v.Digest, codectest.Digest(dst))
		})
	}
}

// The example of TIFF 6.0, section 9, and of Apple TN1023.
func TestPackBitsExample(t *testing.T) {
	coded, err := hex.DecodeString("FEAA0280002AFDAA0380002A22F7AA")
	require.NoError(t, err)
	want, err := hex.DecodeString("AAAAAA80002AAAAAAAAA80002A22AAAAAAAAAAAAAAAAAAAA")
	require.NoError(t, err)
	dst := make([]uint16, 24)
	_, _, err = Decode(dst, frame(coded), 24, 1, 8)
	require.NoError(t, err)
	for i, w := range want {
		assert.Equal(t, uint16(w), dst[i], "byte %d", i)
	}
}

// A frame worked out by hand from PS3.5 Annex G: two segments, the high bytes
// first, each row coded alone, the second segment padded.
func TestFrameByHand(t *testing.T) {
	data := make([]byte, 64)
	copy(data, []byte{2, 0, 0, 0, 0x40, 0, 0, 0, 0x44, 0, 0, 0})
	data = append(data, 0xFF, 1, 0xFF, 1)
	data = append(data, 0xFF, 2, 1, 2, 3, 0)
	require.Len(t, data, 74)
	dst := make([]uint16, 4)
	precision, _, err := Decode(dst, data, 2, 2, 16)
	require.NoError(t, err)
	assert.Equal(t, 16, precision)
	assert.Equal(t, []uint16{0x102, 0x102, 0x102, 0x103}, dst)
}

func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		columns, rows := rapid.IntRange(1, 40).Draw(t, "columns"), rapid.IntRange(1, 12).Draw(t, "rows")
		bits := rapid.SampledFrom([]int{8, 16}).Draw(t, "bits")
		most := rapid.SampledFrom([]int{1, 3, 1<<bits - 1}).Draw(t, "most")
		samples := make([]uint16, columns*rows)
		for i := range samples {
			samples[i] = uint16(rapid.IntRange(0, most).Draw(t, "sample"))
		}
		var planes [][]byte
		for shift := bits - 8; shift >= 0; shift -= 8 {
			plane := make([]byte, len(samples))
			for i, v := range samples {
				plane[i] = byte(v >> shift)
			}
			planes = append(planes, pack(plane))
		}
		dst := make([]uint16, len(samples))
		_, _, err := Decode(dst, frame(planes...), columns, rows, bits)
		require.NoError(t, err)
		require.Equal(t, samples, dst)
	})
}

// What real encoders add behind a plane is taken, and no more.
func TestBehindThePlane(t *testing.T) {
	plane := []byte{5, 6, 7}
	for name, c := range map[string]struct {
		segment []byte
		right   bool
	}{
		"nothing":                   {[]byte{2, 5, 6, 7}, true},
		"a zero byte":               {[]byte{2, 5, 6, 7, 0}, true},
		"many zero bytes":           {append([]byte{2, 5, 6, 7}, make([]byte, 20)...), true},
		"a literal byte":            {[]byte{2, 5, 6, 7, 0, 9}, true},
		"a literal byte in the run": {[]byte{3, 5, 6, 7, 9}, true},
		"codes that mean nothing":   {[]byte{0x80, 2, 5, 6, 7, 0x80, 0x80}, true},
		"two bytes in the run":      {[]byte{4, 5, 6, 7, 9, 9}, false},
		"a run of two":              {[]byte{2, 5, 6, 7, 0xFF, 9}, false},
		"another plane":             {[]byte{2, 5, 6, 7, 2, 5, 6, 7}, false},
		"a repeated byte too often": {[]byte{1, 5, 6, 0xFE, 7}, false},
		"two literal bytes, apart":  {[]byte{2, 5, 6, 7, 0, 9, 0, 9}, false},
	} {
		t.Run(name, func(t *testing.T) {
			dst := make([]uint16, 3)
			_, _, err := Decode(dst, frame(c.segment), 3, 1, 8)
			if !c.right {
				var format *codestream.Error
				require.ErrorAs(t, err, &format)
				require.False(t, format.Unsupported)
				assert.Contains(t, err.Error(), "larger than expected")
				return
			}
			require.NoError(t, err)
			for i, b := range plane {
				assert.Equal(t, uint16(b), dst[i])
			}
		})
	}
}

func TestTruncated(t *testing.T) {
	for _, v := range vectors(t) {
		dst := make([]uint16, v.Columns*v.Rows)
		for n := range len(v.Stream) {
			_, _, err := Decode(dst, v.Stream[:n], v.Columns, v.Rows, v.Bits)
			if err == nil { // no more than the padding can be missing
				require.GreaterOrEqual(t, n, len(v.Stream)-2, v.Name)
				require.Equal(t, v.Digest, codectest.Digest(dst), v.Name)
				continue
			}
			var format *codestream.Error
			require.ErrorAs(t, err, &format)
			require.False(t, format.Unsupported)
		}
	}
}

func TestErrors(t *testing.T) {
	good := frame([]byte{0xFF, 1}, []byte{0xFF, 2})
	changed := func(at int, b ...byte) []byte {
		out := bytes.Clone(good)
		copy(out[at:], b)
		return out
	}
	for name, c := range map[string]struct {
		data        []byte
		bits        int
		unsupported bool
		says        string
	}{
		"empty":                 {nil, 16, false, "header at byte 0: the frame has 0 bytes"},
		"no segments":           {changed(0, 0), 16, false, "0 segments, 1 to 15 expected"},
		"too many segments":     {changed(0, 16), 16, false, "16 segments"},
		"colour":                {changed(0, 3), 16, true, "3 segments: only frames with one sample a pixel"},
		"8 bits in a 16-bit":    {changed(0, 1), 16, false, "1 segments, 2 expected for 16 bits"},
		"16 bits in an 8-bit":   {good, 8, false, "2 segments, 1 expected for 8 bits"},
		"32 bits":               {good, 32, true, "32 bits allocated"},
		"offset in the header":  {changed(4, 63), 16, false, "header at byte 4: segment 1 starts at byte 63, 64 to 68 expected"},
		"offset behind the end": {changed(8, 69), 16, false, "segment 2 starts at byte 69"},
		"huge offset":           {changed(8, 255, 255, 255, 255), 16, false, "segment 2 starts at byte 4294967295"},
		"offsets fall":          {changed(4, 66, 0, 0, 0, 64), 16, false, "segment 2 starts at byte 64, 66 to 68 expected"},
		"segment ends":          {changed(8, 64), 16, false, "segment 1 at byte 64: the segment ends after 0 of 2 bytes"},
		"literal cut":           {changed(66, 5), 16, false, "segment 2 at byte 66: 6 literal bytes announced, 1 left"},
		"repeat cut":            {good[:67], 16, false, "segment 2 at byte 66: the byte to repeat is missing"},
	} {
		t.Run(name, func(t *testing.T) {
			_, _, err := Decode(make([]uint16, 2), c.data, 2, 1, c.bits)
			require.Error(t, err)
			assert.Contains(t, err.Error(), c.says)
			var stream *codestream.Error
			require.ErrorAs(t, err, &stream)
			assert.Equal(t, c.unsupported, stream.Unsupported)
		})
	}
	for _, size := range [][3]int{{0, 1, 0}, {1, 0, 0}, {-1, -1, 1}, {2, 2, 3}, {65536, 1, 65536}} {
		_, _, err := Decode(make([]uint16, size[2]), good, size[0], size[1], 16)
		assert.ErrorContains(t, err, "cannot hold")
	}
}

func FuzzDecode(f *testing.F) {
	for _, v := range vectors(f) {
		f.Add(v.Stream, uint8(v.Columns), uint8(v.Rows), v.Bits == 16)
	}
	f.Fuzz(func(t *testing.T, data []byte, columns, rows uint8, wide bool) {
		bits := 8
		if wide {
			bits = 16
		}
		dst := make([]uint16, int(columns)*int(rows))
		precision, _, err := Decode(dst, data, int(columns), int(rows), bits)
		if err == nil && precision != bits {
			t.Fatalf("precision %d of %d bits", precision, bits)
		}
	})
}

func BenchmarkDecode(b *testing.B) {
	const size = 512
	low, high := make([]byte, size*size), make([]byte, size*size)
	state := uint32(1)
	for i := range low {
		state = state*1664525 + 1013904223
		if x := i % size; x > 60 && x < 450 { // tissue between air
			high[i], low[i] = byte(x/100), byte(x)+byte(state>>29)
		}
	}
	data := frame(pack(high), pack(low))
	dst := make([]uint16, size*size)
	b.SetBytes(2 * size * size)
	for b.Loop() {
		if _, _, err := Decode(dst, data, size, size, 16); err != nil {
			b.Fatal(err)
		}
	}
}
