package scan

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// reference is what outside libraries made of a scan; see
// testdata/reference.py.
type reference struct {
	Size   [3]int `json:"size"`
	Signed bool   `json:"signed"`
	Values string `json:"values"` // SHA-256 of the stored values as little-endian int32
	Points []struct {
		Voxel   [3]int     `json:"voxel"`
		Patient [3]float64 `json:"patient"`
		Grey    float64    `json:"grey"`
	} `json:"points"`
}

// flagged lists the remarks that reference scans must get; all others get none.
var flagged = map[string][]string{
	"plain_multiframe":   {"slice-direction-assumed"},
	"monochrome1":        {"monochrome1-inverted"},
	"enhanced_conflict":  {"odd-number", "odd-number"},
	"jpegls_near":        {"lossy-compression"},
	"jpeg_baseline":      {"lossy-compression"},
	"jpeg_extended":      {"lossy-compression"},
	"jpeg2000_lossy_u12": {"lossy-compression"},
	"jpeg2000_lossy_s12": {"lossy-compression"},
}

// TestReference reads scans that pydicom, dcmtk and gdcm wrote and compares
// every stored value with what they read, and places with PS3.3 C.7.6.2.1.1.
func TestReference(t *testing.T) {
	b, err := os.ReadFile("testdata/reference.json")
	require.NoError(t, err)
	var frozen map[string]reference
	require.NoError(t, json.Unmarshal(b, &frozen))
	archives, err := filepath.Glob("testdata/*.zip")
	require.NoError(t, err)
	require.Len(t, archives, len(frozen))
	for name, want := range frozen {
		t.Run(name, func(t *testing.T) {
			got, err := Open(filepath.Join("testdata", name+".zip"), Options{})
			require.NoError(t, err)
			require.Equal(t, want.Size, got.Size)
			values := sha256.New()
			shift := int32(0)
			if want.Signed {
				shift = signBit
			}
			for _, w := range got.Stored {
				values.Write(binary.LittleEndian.AppendUint32(nil, uint32(int32(w)-shift)))
			}
			assert.Equal(t, want.Values, hex.EncodeToString(values.Sum(nil)))
			require.Len(t, want.Points, 12)
			for _, p := range want.Points {
				i, j, k := p.Voxel[0], p.Voxel[1], p.Voxel[2]
				at := got.Patient(float64(i), float64(j), float64(k))
				require.Less(t, r3.Norm(r3.Sub(at, geom.Vec{X: p.Patient[0], Y: p.Patient[1], Z: p.Patient[2]})), 1e-6, "voxel %v", p.Voxel)
				if !got.Padded(got.Stored[(k*got.Size[1]+j)*got.Size[0]+i]) {
					require.InDelta(t, p.Grey, got.Grey(i, j, k), 1e-6, "voxel %v", p.Voxel)
				}
			}
			var codes []string
			for _, f := range got.Flags {
				codes = append(codes, f.Code)
			}
			assert.Equal(t, flagged[name], codes)
		})
	}
}

// TestReferencePadding checks that the padding of the reference scan is taken
// for what it is: the first row of each slice, at −2000.
func TestReferencePadding(t *testing.T) {
	got, err := Open("testdata/signed_padding.zip", Options{})
	require.NoError(t, err)
	require.NotNil(t, got.Padding)
	assert.Equal(t, uint16(32768-2000), got.Padding.Low)
	assert.Equal(t, uint16(32768-2000), got.Padding.High)
	for k := range got.Size[2] {
		for i := range got.Size[0] {
			assert.True(t, got.Padded(got.Stored[k*got.Size[0]*got.Size[1]+i]))
		}
	}
}
