package jpeg

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/dicom/codec/codectest"
	"plumbline/internal/dicom/codec/codestream"
)

// vectors are those of the table; testdata/codec_vectors.py makes them with dcmtk and gdcm.
func vectors(t testing.TB) []codectest.Vector {
	t.Helper()
	return codectest.Read(t, "../../../../testdata/jpeg/vectors.csv", 50)
}

// Lossless streams give what was coded and lossy ones what dcmdjpeg makes of
// them, both to the grey level.
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

// A stream that is cut is an error, unless only what follows its last sample is gone.
func TestTruncated(t *testing.T) {
	for _, v := range vectors(t) {
		dst := make([]uint16, v.Columns*v.Rows)
		for n := 0; n < len(v.Stream); n++ {
			if n%11 != 0 && len(v.Stream)-n > 8 {
				continue
			}
			_, _, err := Decode(dst, v.Stream[:n], v.Columns, v.Rows, v.Bits)
			if err == nil { // FF of the last byte's padding, FFD9 and a zero
				require.GreaterOrEqual(t, n, len(v.Stream)-4, v.Name)
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

func FuzzDecode(f *testing.F) {
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
