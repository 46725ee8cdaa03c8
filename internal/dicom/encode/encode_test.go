package encode

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/dicom/element"
	"plumbline/internal/geom"
	"plumbline/internal/volume"
)

// oblique is a small volume in a general position, with unequal spacings, an
// odd number of voxels and random stored values that fit the bits.
func oblique(bits int, signed bool) *volume.Volume {
	turn := geom.Rotation(geom.Vec{X: 0.3, Y: -0.5, Z: 0.8})
	v := &volume.Volume{Grid: volume.Grid{
		Size:   [3]int{5, 3, 4},
		Origin: geom.Vec{X: -31.25, Y: 12.5, Z: -7.75},
		Step: [3]geom.Vec{
			r3.Scale(0.25, turn.Rotate(geom.Vec{X: 1})),
			r3.Scale(0.4, turn.Rotate(geom.Vec{Y: 1})),
			r3.Scale(0.6, turn.Rotate(geom.Vec{Z: 1})),
		},
	}}
	rng := rand.New(rand.NewPCG(1, 2))
	low := 0
	if signed {
		low = 1<<15 - 1<<(bits-1)
	}
	v.Stored = make([]uint16, v.Len())
	for i := range v.Stored {
		v.Stored[i] = uint16(low + rng.IntN(1<<bits))
	}
	v.Slope, v.Intercept = make([]float64, v.Size[2]), make([]float64, v.Size[2])
	for k := range v.Slope {
		v.Slope[k], v.Intercept[k] = 0.5, -1000
	}
	return v
}

// verdictCase is one way to write a volume.
type verdictCase struct {
	name string
	bits int
	o    Options
}

func verdictCases() []verdictCase {
	var out []verdictCase
	for _, layout := range []Layout{SingleFrame, EnhancedCT, PlainMultiFrame} {
		for _, syntax := range []string{uid.ImplicitVRLittleEndian, uid.ExplicitVRLittleEndian, uid.ExplicitVRBigEndian, uid.DeflatedExplicitVRLittleEndian} {
			for _, c := range []verdictCase{
				{bits: 16}, {bits: 12, o: Options{BitsStored: 12, Signed: true}},
				{bits: 12, o: Options{BitsStored: 12, HighBit: 15}}, {bits: 8, o: Options{Bytes: 1}},
			} {
				c.o.Layout, c.o.Syntax, c.o.StudyDate = layout, syntax, "2025-01-02"
				c.name = fmt.Sprintf("layout%d-%s-%d-%t-%d", layout, strings.TrimPrefix(syntax, "1.2.840.10008."), c.bits, c.o.Signed, c.o.HighBit)
				if layout == EnhancedCT {
					c.o.Order = []int{2, 0, 3, 1}
				}
				out = append(out, c)
			}
		}
	}
	return out
}

// verdict is what pydicom and dcmtk made of one file; see testdata/verdict.py.
type verdict struct {
	SHA256   string       `json:"sha256"` // of the file
	DCMTK    bool         `json:"dcmtk"`  // dcmdump read it to its end without a warning
	Errors   *int         `json:"errors"` // that dciodvfy finds; one file a slice, not deflated
	Values   string       `json:"values"` // SHA-256 of the stored values as little-endian int32
	Position [][3]float64 `json:"position"`
	Row      [][3]float64 `json:"row"`
	Column   [][3]float64 `json:"column"`
	Spacing  [][2]float64 `json:"spacing"` // between rows, between columns
	Rescale  [][2]float64 `json:"rescale"` // slope, intercept
}

var filesTo = flag.String("files", "", "write the files that testdata/verdict.py judges into this folder")

// TestVerdict holds each written file against what pydicom and dcmtk read from
// the same bytes.
func TestVerdict(t *testing.T) {
	var frozen map[string]verdict
	if *filesTo == "" {
		b, err := os.ReadFile("testdata/verdict.json")
		require.NoError(t, err)
		require.NoError(t, json.Unmarshal(b, &frozen))
	}
	judged := 0
	for _, c := range verdictCases() {
		v := oblique(c.bits, c.o.Signed)
		dir := t.TempDir()
		if *filesTo != "" {
			dir = filepath.Join(*filesTo, c.name)
		}
		require.NoError(t, Volume(dir, v, c.o))
		if *filesTo != "" {
			continue
		}
		files, err := filepath.Glob(filepath.Join(dir, "*"))
		require.NoError(t, err)
		for f, path := range files {
			key := c.name + "/" + filepath.Base(path)
			want, ok := frozen[key]
			require.True(t, ok, key)
			judged++
			b, err := os.ReadFile(path)
			require.NoError(t, err)
			sum := sha256.Sum256(b)
			require.Equal(t, want.SHA256, hex.EncodeToString(sum[:]), "%s is not the file that was judged", key)
			assert.True(t, want.DCMTK, key)
			if c.o.Layout == SingleFrame && c.o.Syntax != uid.DeflatedExplicitVRLittleEndian {
				errors := 0
				if c.o.Bytes == 1 {
					errors = 3 // CT asks for 16 bits allocated and 12 or more stored (PS3.3 C.8.2.1)
				}
				require.NotNil(t, want.Errors, key)
				assert.Equal(t, errors, *want.Errors, key)
			}
			frames := []int{f}
			if c.o.Layout == PlainMultiFrame {
				frames = []int{0, 1, 2, 3}
			} else if c.o.Layout == EnhancedCT {
				frames = c.o.Order
			}
			requireRead(t, key, v, c.o, frames, want)
		}
	}
	assert.Len(t, frozen, judged)
}

// requireRead holds what was read from a file against the slices that it was
// written from.
func requireRead(t *testing.T, key string, v *volume.Volume, o Options, frames []int, got verdict) {
	t.Helper()
	plane := v.Size[0] * v.Size[1]
	values := sha256.New()
	shift := 0
	if o.Signed {
		shift = 32768
	}
	near := func(a geom.Vec, b [3]float64) {
		require.Less(t, r3.Norm(r3.Sub(a, geom.Vec{X: b[0], Y: b[1], Z: b[2]})), 1e-9, key)
	}
	for i, k := range frames {
		for _, s := range v.Stored[k*plane : (k+1)*plane] {
			values.Write(binary.LittleEndian.AppendUint32(nil, uint32(int32(s)-int32(shift))))
		}
		if i > 0 && o.Layout == PlainMultiFrame {
			continue // the file has these once
		}
		near(v.Patient(0, 0, float64(k)), got.Position[i])
		near(r3.Unit(v.Step[0]), got.Row[i])
		near(r3.Unit(v.Step[1]), got.Column[i])
		require.InDelta(t, 0.4, got.Spacing[i][0], 1e-12, key)
		require.InDelta(t, 0.25, got.Spacing[i][1], 1e-12, key)
		require.InDelta(t, v.Slope[k], got.Rescale[i][0], 1e-12, key)
		require.InDelta(t, v.Intercept[k]+v.Slope[k]*float64(shift), got.Rescale[i][1], 1e-9, key)
	}
	require.Equal(t, hex.EncodeToString(values.Sum(nil)), got.Values, key)
}

// TestSameBytes writes one volume twice: the files are the same.
func TestSameBytes(t *testing.T) {
	v := oblique(16, false)
	a, b := t.TempDir(), t.TempDir()
	require.NoError(t, Volume(a, v, Options{}))
	require.NoError(t, Volume(b, v, Options{}))
	for k := range v.Size[2] {
		name := fmt.Sprintf("IM%04d.dcm", k+1)
		x, err := os.ReadFile(filepath.Join(a, name))
		require.NoError(t, err)
		y, err := os.ReadFile(filepath.Join(b, name))
		require.NoError(t, err)
		assert.Equal(t, x, y)
	}
}

// TestUIDs shows that another volume has other UIDs, of at most 64 characters
// (PS3.5 9.1).
func TestUIDs(t *testing.T) {
	read := func(change func(v *volume.Volume)) (out []string) {
		v := oblique(16, false)
		change(v)
		require.NoError(t, Volume(t.TempDir(), v, Options{Change: func(k int, d *element.Dataset) {
			for _, x := range []tag.Tag{tag.SOPInstanceUID, tag.SeriesInstanceUID, tag.StudyInstanceUID, tag.FrameOfReferenceUID} {
				out = append(out, d.Text(x))
				require.LessOrEqual(t, len(d.Text(x)), 64)
			}
		}}))
		return out
	}
	plain := read(func(*volume.Volume) {})
	seen := map[string]bool{}
	for _, u := range plain[:4] {
		seen[u] = true
	}
	assert.Len(t, seen, 4)
	for i, change := range []func(v *volume.Volume){
		func(v *volume.Volume) { v.Stored[7]++ },
		func(v *volume.Volume) { v.Origin.X += 0.1 },
		func(v *volume.Volume) { v.Slope[1] = 2 },
	} {
		for _, u := range read(change)[:4] {
			assert.False(t, seen[u], "change %d", i)
		}
	}
}

// TestRefusals shows what cannot be written.
func TestRefusals(t *testing.T) {
	uneven := oblique(16, false)
	uneven.Slope[2] = 3
	bright := oblique(8, false)
	bright.Stored[20] = 300
	deep := oblique(12, true)
	deep.Stored[0] = 32768 - 2049
	for _, c := range []struct {
		v    *volume.Volume
		o    Options
		want string
	}{
		{bright, Options{BitsStored: 8}, "slice 2 has the stored value 300, which does not fit 8 bits (0 to 255)"},
		{deep, Options{BitsStored: 12, Signed: true}, "slice 1 has the stored value -2049, which does not fit 12 bits (-2048 to 2047)"},
		{uneven, Options{Layout: PlainMultiFrame}, "slice 3 has another rescale than slice 1, and this layout has one for all"},
		{uneven, Options{BitsStored: 12, HighBit: 10}, "there is no voxel of 16 bits with 12 stored and high bit 10"},
		{uneven, Options{Bytes: 1, BitsStored: 12}, "there is no voxel of 8 bits with 12 stored and high bit 11"},
		{uneven, Options{Order: []int{0, 1, 2, 3}}, "an order of 4 frames for 4 slices, or for a layout other than Enhanced CT"},
		{uneven, Options{Change: func(_ int, d *element.Dataset) { d.Set(tag.Rows, 5) }}, "(0028,0010): a value of type int"},
		{uneven, Options{Change: func(_ int, d *element.Dataset) { d.Set(tag.PatientID, strings.Repeat("x", 65535)) }}, "(0010,0020): 65536 bytes, at most 65534 fit"},
	} {
		assert.EqualError(t, Volume(t.TempDir(), c.v, c.o), c.want)
	}
}
