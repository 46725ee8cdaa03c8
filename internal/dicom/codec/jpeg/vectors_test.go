package jpeg

import (
	"bufio"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"encoding/hex"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/dicom/codec/codestream"
)

// vector is a line of testdata/jpeg/vectors.csv, which testdata/codec_vectors.py
// makes with dcmtk and gdcm.
type vector struct {
	name                           string
	columns, rows, bits, precision int
	lossy                          bool
	digest                         string
	stream                         []byte
}

func vectors(t testing.TB) []vector {
	t.Helper()
	file, err := os.Open("../../../../testdata/jpeg/vectors.csv")
	require.NoError(t, err)
	defer file.Close()
	var all []vector
	lines := bufio.NewScanner(file)
	for n := 0; lines.Scan(); n++ {
		if n < 2 { // source and column names
			continue
		}
		f := strings.Split(lines.Text(), ",")
		require.Len(t, f, 8)
		v := vector{name: f[0], lossy: f[5] == "true", digest: f[6]}
		for i, to := range []*int{&v.columns, &v.rows, &v.bits, &v.precision} {
			*to, err = strconv.Atoi(f[1+i])
			require.NoError(t, err)
		}
		v.stream, err = base64.StdEncoding.DecodeString(f[7])
		require.NoError(t, err)
		all = append(all, v)
	}
	require.NoError(t, lines.Err())
	require.Greater(t, len(all), 50)
	return all
}

func digest(samples []uint16) string {
	raw := make([]byte, 2*len(samples))
	for i, v := range samples {
		binary.LittleEndian.PutUint16(raw[2*i:], v)
	}
	sum := sha256.Sum256(raw)
	return hex.EncodeToString(sum[:])
}

// Lossless streams give what was coded and lossy ones what dcmdjpeg makes of
// them, both to the grey level.
func TestVectors(t *testing.T) {
	for _, v := range vectors(t) {
		t.Run(v.name, func(t *testing.T) {
			dst := make([]uint16, v.columns*v.rows)
			precision, lossy, err := Decode(dst, v.stream, v.columns, v.rows, v.bits)
			require.NoError(t, err)
			assert.Equal(t, v.precision, precision)
			assert.Equal(t, v.lossy, lossy)
			assert.Equal(t, v.digest, digest(dst))
		})
	}
}

// A stream that is cut is an error, unless only what follows its last sample is gone.
func TestTruncated(t *testing.T) {
	for _, v := range vectors(t) {
		dst := make([]uint16, v.columns*v.rows)
		for n := 0; n < len(v.stream); n++ {
			if n%11 != 0 && len(v.stream)-n > 8 {
				continue
			}
			_, _, err := Decode(dst, v.stream[:n], v.columns, v.rows, v.bits)
			if err == nil { // FF of the last byte's padding, FFD9 and a zero
				require.GreaterOrEqual(t, n, len(v.stream)-4, v.name)
				require.Equal(t, v.digest, digest(dst), v.name)
				continue
			}
			var format *codestream.Error
			require.ErrorAs(t, err, &format, v.name)
			require.False(t, format.Unsupported, v.name)
			require.LessOrEqual(t, format.Offset, n)
		}
	}
}

func FuzzDecode(f *testing.F) {
	for _, v := range vectors(f) {
		f.Add(v.stream, uint8(v.columns), uint8(v.rows))
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
