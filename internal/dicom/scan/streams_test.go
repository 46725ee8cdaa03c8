package scan

import (
	"archive/zip"
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"runtime"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"

	"plumbline/internal/dicom/element"
	"plumbline/internal/dicom/encode"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/volume"
)

// frozen is a compressed slice that an outside encoder made; digest is that of
// the words in it, as little-endian 16 bits.
type frozen struct {
	columns, rows int
	digest        string
	stream        []byte
}

// frozenStream finds one of the codecs' own reference streams.
func frozenStream(t *testing.T, file, name string) (v frozen) {
	f, err := os.Open(file)
	require.NoError(t, err)
	defer f.Close()
	lines := bufio.NewScanner(f)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		fields := strings.Split(lines.Text(), ",")
		if fields[0] != name {
			continue
		}
		v.columns, err = strconv.Atoi(fields[1])
		require.NoError(t, err)
		v.rows, err = strconv.Atoi(fields[2])
		require.NoError(t, err)
		v.digest = fields[6]
		v.stream, err = base64.StdEncoding.DecodeString(fields[7])
		require.NoError(t, err)
		return v
	}
	t.Fatalf("%s has no stream %s", file, name)
	return v
}

// TestStreams reads frozen streams, cut into three fragments without an offset
// table, under headers of other signs and more bits than the streams have: one
// file a slice, whose fragments are joined, and several frames, which are told
// by the mark that each begins with.
func TestStreams(t *testing.T) {
	const (
		ofJPEG     = "../../../testdata/jpeg/vectors.csv"
		ofJPEGLS   = "../../../testdata/jpegls/vectors.csv"
		ofJPEG2000 = "../codec/jpeg2000/testdata/vectors.csv"
	)
	for _, c := range []struct {
		file, name, syntax string
		precision          int // of the words
		stored             int
		signed             bool
	}{
		{ofJPEG, "lossless-dcmtk-sv1-12-bit-signed", "1.2.840.10008.1.2.4.70", 16, 12, true},
		{ofJPEG, "lossless-dcmtk-sv7-16-bit-signed", "1.2.840.10008.1.2.4.57", 16, 16, true},
		{ofJPEGLS, "lossless-charls-12-bit", "1.2.840.10008.1.2.4.80", 12, 12, true},
		{ofJPEGLS, "lossless-charls-13-bit", "1.2.840.10008.1.2.4.80", 13, 16, false},
		{ofJPEG2000, "reversible-openjpeg-12-bit-signed", "1.2.840.10008.1.2.4.90", 12, 16, true},
		{ofJPEG2000, "reversible-openjpeg-12-bit-unsigned", "1.2.840.10008.1.2.4.90", 12, 12, true},
		{ofJPEG2000, "reversible-openjpeg-12-bit-signed", "1.2.840.10008.1.2.4.91", 12, 12, false},
	} {
		v := frozenStream(t, c.file, c.name)
		third := len(v.stream) / 6 * 2 // fragments are even
		pieces := [][]byte{v.stream[:third], v.stream[third : 2*third], v.stream[2*third:]}
		for _, layout := range []encode.Layout{encode.SingleFrame, encode.EnhancedCT} {
			t.Run(fmt.Sprintf("%s/%d/layout %d", c.name, c.stored, layout), func(t *testing.T) {
				blank := &volume.Volume{Grid: volume.Grid{Size: [3]int{v.columns, v.rows, 12}, Step: [3]geom.Vec{{X: 0.3}, {Y: 0.3}, {Z: 0.3}}}}
				blank.Stored = make([]uint16, blank.Len())
				if c.signed {
					for i := range blank.Stored {
						blank.Stored[i] = signBit
					}
				}
				blank.Slope, blank.Intercept = slices.Repeat([]float64{1}, 12), make([]float64, 12)
				dir := t.TempDir()
				require.NoError(t, encode.Volume(dir, blank, encode.Options{
					Layout: layout, Syntax: c.syntax, BitsStored: c.stored, Signed: c.signed,
					Change: every(func(d *element.Dataset) {
						parts := pieces
						if layout == encode.EnhancedCT {
							parts = slices.Repeat(pieces, 12)
						}
						d.SetVR(tag.PixelData, "OB", element.Fragments{Parts: parts})
					}),
				}))
				got, err := Open(dir, Options{})
				require.NoError(t, err)
				plane := v.columns * v.rows
				for k := range 12 {
					sum, negative := sha256.New(), 0
					for _, w := range got.Stored[k*plane : (k+1)*plane] {
						if c.signed {
							w ^= signBit
							bits := min(c.precision, c.stored)
							require.Equal(t, w, uint16(int16(w<<(16-bits))>>(16-bits)), "the sign goes up to the top")
							negative += int(w >> 15)
						}
						sum.Write(binary.LittleEndian.AppendUint16(nil, w&uint16(1<<c.precision-1)))
					}
					if c.precision <= c.stored {
						require.Equal(t, v.digest, hex.EncodeToString(sum.Sum(nil)), "frame %d", k+1)
					}
					assert.Equal(t, c.signed, negative > 0)
				}
			})
		}
	}
}

// TestTooFewBits refuses a stream whose words may or may not have a sign.
func TestTooFewBits(t *testing.T) {
	v := frozenStream(t, "../../../testdata/jpegls/vectors.csv", "lossless-charls-12-bit")
	g := &image{syntax: "1.2.840.10008.1.2.4.80", layout: layout{rows: v.rows, cols: v.columns, allocated: 16, stored: 16, high: 15, signed: true}}
	_, err := g.decodeFrame(make([]uint16, v.columns*v.rows), v.stream)
	assert.EqualError(t, err, "its compressed pixels are unsigned numbers of 12 bits, the header says signed ones of 16 with high bit 15, so what they mean is in doubt; "+exportAdvice)
}

// literalRLE is a frame of RLE without runs (PS3.5 G.3), as noise is coded. words
// are a multiple of 128.
func literalRLE(words []uint16) []byte {
	b := make([]byte, 64)
	b[0] = 2
	for plane := range 2 {
		binary.LittleEndian.PutUint32(b[4+4*plane:], uint32(len(b)))
		for i, w := range words {
			if i%128 == 0 {
				b = append(b, 127)
			}
			b = append(b, byte(w>>(8-8*plane)))
		}
		b = append(b, make([]byte, len(b)%2)...)
	}
	return b
}

// TestMemory reads scans in little more memory than their voxels have. No collection comes in
// between: it would empty the pools of buffers, which are then made anew.
func TestMemory(t *testing.T) {
	v := &volume.Volume{Grid: volume.Grid{Size: [3]int{256, 256, 48}, Step: [3]geom.Vec{{X: 0.3}, {Y: 0.3}, {Z: 0.3}}}}
	rng := rand.New(rand.NewPCG(7, 8))
	v.Stored = make([]uint16, v.Len())
	for i := range v.Stored {
		v.Stored[i] = uint16(rng.UintN(1 << 16))
	}
	v.Slope, v.Intercept = slices.Repeat([]float64{1}, 48), make([]float64, 48)
	defer debug.SetGCPercent(debug.SetGCPercent(-1))
	for name, o := range map[string]encode.Options{
		"native":     {},
		"enhanced":   {Layout: encode.EnhancedCT},
		"big endian": {Syntax: uid.ExplicitVRBigEndian},
		"RLE": {Syntax: "1.2.840.10008.1.2.5", Change: func(k int, d *element.Dataset) {
			d.SetVR(tag.PixelData, "OB", element.Fragments{Parts: [][]byte{literalRLE(v.Stored[k<<16 : (k+1)<<16])}})
		}},
	} {
		dir := t.TempDir()
		require.NoError(t, encode.Volume(dir, v, o))
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		got, err := Open(dir, Options{})
		runtime.ReadMemStats(&after)
		require.NoError(t, err, name)
		assert.Equal(t, v.Stored, got.Stored, name)
		assert.Less(t, float64(after.TotalAlloc-before.TotalAlloc), 1.3*2*float64(v.Len()), name)
	}
}

// A scan header whose spectral selection was left at zero, as public files have it,
// costs no voxel and is told.
func TestSelectionUnset(t *testing.T) {
	const archived = "testdata/jpeg_extended.zip"
	want, err := Open(archived, Options{})
	require.NoError(t, err)
	z, err := zip.OpenReader(archived)
	require.NoError(t, err)
	defer z.Close()
	dir := t.TempDir()
	for i, f := range z.File {
		r, err := f.Open()
		require.NoError(t, err)
		b, err := io.ReadAll(r)
		require.NoError(t, err)
		header := []byte{0xFF, 0xDA, 0, 8, 1, 1, 0, 0, 63, 0} // T.81 B.2.3, component 1
		at := bytes.Index(b, header)
		require.Positive(t, at)
		b[at+8] = 0
		put(t, dir, fmt.Sprint("IM", i), b)
	}
	got, err := Open(dir, Options{})
	require.NoError(t, err)
	assert.Equal(t, want.Stored, got.Stored)
	require.NotEmpty(t, got.Flags)
	assert.Equal(t, measurement.Flag{Code: measurement.CodeOddStream, Level: measurement.Notice,
		Message: plural(got.Size[2], "slice") + " of compressed pixels whose header leaves the spectral selection unset: every coefficient is there and was read"}, got.Flags[1])
}
