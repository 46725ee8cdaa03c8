package encode

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

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
		require.NoError(t, Write(dir, v, c.o))
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
	require.NoError(t, Write(a, v, Options{}))
	require.NoError(t, Write(b, v, Options{}))
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
		require.NoError(t, Write(t.TempDir(), v, Options{Change: func(k int, d *Dataset) {
			for _, x := range []tag.Tag{tag.SOPInstanceUID, tag.SeriesInstanceUID, tag.StudyInstanceUID, tag.FrameOfReferenceUID} {
				out = append(out, d.Get(x).(string))
				require.LessOrEqual(t, len(d.Get(x).(string)), 64)
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

// TestEncode compares a small file with its bytes, written out by hand from
// PS3.5 7.1 and PS3.10 7.1.
func TestEncode(t *testing.T) {
	var d Dataset
	d.Set(tag.Rows, []uint16{0x0102})
	d.Set(tag.Modality, "CT")
	d.Set(tag.PatientID, "abc")
	d.SetVR(tag.PixelData, "OW", []uint16{0x0304})
	d.Set(tag.PlanePositionSequence, []Dataset{{{Tag: tag.SliceThickness, VR: "DS", Value: "1"}}})
	for _, c := range []struct{ syntax, want string }{
		{uid.ExplicitVRLittleEndian, "08006000 4353 0200 4354 " + "10002000 4c4f 0400 61626320 " +
			"20001391 5351 0000 12000000 feff00e0 0a000000 18005000 4453 0200 3120 " + "28001000 5553 0200 0201 " + "e07f1000 4f57 0000 02000000 0403"},
		{uid.ImplicitVRLittleEndian, "08006000 02000000 4354 " + "10002000 04000000 61626320 " +
			"20001391 12000000 feff00e0 0a000000 18005000 02000000 3120 " + "28001000 02000000 0201 " + "e07f1000 02000000 0403"},
		{uid.ExplicitVRBigEndian, "00080060 4353 0002 4354 " + "00100020 4c4f 0004 61626320 " +
			"00209113 5351 0000 00000012 fffee000 0000000a 00180050 4453 0002 3120 " + "00280010 5553 0002 0102 " + "7fe00010 4f57 0000 00000002 0304"},
	} {
		b, err := Encode(c.syntax, d)
		require.NoError(t, err)
		require.Equal(t, "DICM", string(b[128:132]))
		length := int(binary.LittleEndian.Uint32(b[132+8:])) // (0002,0000) UL 4
		require.Equal(t, strings.ReplaceAll(c.want, " ", ""), hex.EncodeToString(b[132+12+length:]), c.syntax)
	}
}

// TestFragments compares compressed pixels with their bytes (PS3.5 A.4).
func TestFragments(t *testing.T) {
	var d Dataset
	d.SetVR(tag.PixelData, "OB", Fragments{Offsets: []uint32{0, 12}, Parts: [][]byte{{1, 2, 3}, {4}}})
	b, err := Encode("1.2.840.10008.1.2.5", d)
	require.NoError(t, err)
	want := "e07f1000 4f42 0000 ffffffff" + "feff00e0 08000000 00000000 0c000000" + "feff00e0 04000000 01020300" + "feff00e0 02000000 0400" + "feffdde0 00000000"
	assert.True(t, strings.HasSuffix(hex.EncodeToString(b), strings.ReplaceAll(want, " ", "")))
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
		{uneven, Options{Change: func(_ int, d *Dataset) { d.Set(tag.Rows, 5) }}, "(0028,0010): a value of type int"},
		{uneven, Options{Change: func(_ int, d *Dataset) { d.Set(tag.PatientID, strings.Repeat("x", 65535)) }}, "(0010,0020): 65536 bytes, at most 65534 fit"},
	} {
		assert.EqualError(t, Write(t.TempDir(), c.v, c.o), c.want)
	}
}

// TestDecimals checks that decimal strings are short enough (PS3.5 6.2, DS: 16
// characters) and as close as that allows: nine digits in the worst case, a
// negative number with a three-digit exponent.
func TestDecimals(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64Range(-1e300, 1e300).Draw(t, "x")
		s := Decimals(x)
		require.LessOrEqual(t, len(s), 16)
		got, err := strconv.ParseFloat(s, 64)
		require.NoError(t, err)
		require.LessOrEqual(t, math.Abs(got-x), 1e-8*math.Abs(x), s)
	})
	assert.Equal(t, `0.25\-1000\0.1`, Decimals(0.25, -1000, 0.1))
}

// TestDelete takes an attribute away.
func TestDelete(t *testing.T) {
	var d Dataset
	d.Set(tag.Rows, []uint16{1})
	d.Set(tag.Rows, []uint16{2})
	assert.Equal(t, []uint16{2}, d.Get(tag.Rows))
	d.Delete(tag.Columns)
	d.Delete(tag.Rows)
	assert.Nil(t, d.Get(tag.Rows))
	assert.Empty(t, d)
}
