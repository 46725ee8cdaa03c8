package scan

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	"plumbline/internal/dicom/element"
	"plumbline/internal/dicom/encode"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/volume"
)

// oblique is a small volume in a general position, with unequal spacings and
// random stored values below limit.
func oblique(limit int) *volume.Volume {
	turn := geom.Rotation(geom.Vec{X: 0.3, Y: -0.5, Z: 0.8})
	v := &volume.Volume{Grid: volume.Grid{
		Size:   [3]int{7, 9, 12},
		Origin: geom.Vec{X: -31.25, Y: 12.5, Z: -7.75},
		Step: [3]geom.Vec{
			r3.Scale(0.25, turn.Rotate(geom.Vec{X: 1})),
			r3.Scale(0.4, turn.Rotate(geom.Vec{Y: 1})),
			r3.Scale(0.6, turn.Rotate(geom.Vec{Z: 1})),
		},
	}}
	rng := rand.New(rand.NewPCG(1, 2))
	v.Stored = make([]uint16, v.Len())
	for i := range v.Stored {
		v.Stored[i] = uint16(rng.IntN(limit))
	}
	v.Slope = make([]float64, v.Size[2])
	v.Intercept = make([]float64, v.Size[2])
	for k := range v.Slope {
		v.Slope[k], v.Intercept[k] = 1, -1000
	}
	return v
}

// requireSame holds a scan against the volume that was written.
func requireSame(t *testing.T, want *volume.Volume, got *Scan) {
	t.Helper()
	require.Equal(t, want.Size, got.Size)
	for _, corner := range [][3]float64{{0, 0, 0}, {6, 0, 0}, {0, 8, 0}, {0, 0, 11}, {6, 8, 11}} {
		a := want.Patient(corner[0], corner[1], corner[2])
		b := got.Patient(corner[0], corner[1], corner[2])
		require.Less(t, r3.Norm(r3.Sub(a, b)), 1e-6, "corner %v", corner)
	}
	for k := range want.Size[2] {
		for j := range want.Size[1] {
			for i := range want.Size[0] {
				a, b := want.Grey(i, j, k), got.Grey(i, j, k)
				if math.IsNaN(a) != math.IsNaN(b) || math.Abs(a-b) > 1e-6 {
					require.Failf(t, "grey value", "voxel %d %d %d is %v, expected %v", i, j, k, b, a)
				}
			}
		}
	}
}

// TestRoundTrip writes one volume in every layout and native syntax and reads
// it back.
func TestRoundTrip(t *testing.T) {
	for _, c := range []struct {
		name string
		bits int
		o    encode.Options
	}{
		{"16 bits", 16, encode.Options{}},
		{"16 bits signed", 16, encode.Options{Signed: true}},
		{"12 bits", 12, encode.Options{BitsStored: 12}},
		{"12 bits signed", 12, encode.Options{BitsStored: 12, Signed: true}},
		{"12 bits at the top", 12, encode.Options{BitsStored: 12, HighBit: 15}},
		{"12 bits signed at the top", 12, encode.Options{BitsStored: 12, HighBit: 15, Signed: true}},
		{"8 bits", 8, encode.Options{Bytes: 1}},
		{"8 bits signed", 8, encode.Options{Bytes: 1, Signed: true}},
	} {
		v := oblique(1 << c.bits)
		if c.o.Signed {
			for i := range v.Stored {
				v.Stored[i] += 1<<15 - 1<<(c.bits-1)
			}
		}
		digest := ""
		for _, layout := range []encode.Layout{encode.SingleFrame, encode.EnhancedCT, encode.PlainMultiFrame} {
			for _, syntax := range []string{uid.ImplicitVRLittleEndian, uid.ExplicitVRLittleEndian, uid.ExplicitVRBigEndian, uid.DeflatedExplicitVRLittleEndian} {
				t.Run(fmt.Sprintf("%s/layout %d/%s", c.name, layout, syntax), func(t *testing.T) {
					o := c.o
					o.Layout, o.Syntax = layout, syntax
					if layout == encode.EnhancedCT {
						o.Order = []int{7, 2, 11, 0, 5, 9, 1, 10, 3, 8, 4, 6}
					}
					dir := t.TempDir()
					require.NoError(t, encode.Volume(dir, v, o))
					got, err := Open(dir, Options{})
					require.NoError(t, err)
					requireSame(t, v, got)
					if digest == "" {
						digest = got.SHA256()
					}
					assert.Equal(t, digest, got.SHA256())
					assert.Equal(t, v.Stored, got.Stored)
				})
			}
		}
	}
}

// TestOrderAndNames shuffles and renames the files: the volume stays the same.
func TestOrderAndNames(t *testing.T) {
	v := oblique(4096)
	plain, shuffled := t.TempDir(), t.TempDir()
	require.NoError(t, encode.Volume(plain, v, encode.Options{}))
	perm := rand.New(rand.NewPCG(3, 4)).Perm(v.Size[2])
	require.NoError(t, encode.Volume(shuffled, v, encode.Options{Name: func(k int) string { return fmt.Sprintf("X%d", perm[k]) }}))
	require.NoError(t, os.WriteFile(filepath.Join(shuffled, "notes.txt"), []byte("not a scan"), 0o644))
	a, err := Open(plain, Options{})
	require.NoError(t, err)
	b, err := Open(shuffled, Options{})
	require.NoError(t, err)
	requireSame(t, v, b)
	assert.Equal(t, a.SHA256(), b.SHA256())
	assert.Equal(t, a.Grid, b.Grid)
}

// reversed is the same volume with its slices counted the other way.
func reversed(v *volume.Volume) *volume.Volume {
	n, plane := v.Size[2], v.Size[0]*v.Size[1]
	r := &volume.Volume{Grid: v.Grid, Padding: v.Padding}
	r.Origin = v.Patient(0, 0, float64(n-1))
	r.Step[2] = r3.Scale(-1, v.Step[2])
	for k := n - 1; k >= 0; k-- {
		r.Stored = append(r.Stored, v.Stored[k*plane:(k+1)*plane]...)
		r.Slope = append(r.Slope, v.Slope[k])
		r.Intercept = append(r.Intercept, v.Intercept[k])
	}
	return r
}

// TestAnyVolume writes volumes of any size, direction, spacing, sign and rescale
// by slice, one file a slice and as Enhanced CT, upwards and downwards: what is
// read is the same volume.
func TestAnyVolume(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		length := func(name string) float64 { return rapid.Float64Range(0.05, 2).Draw(rt, name) }
		coordinate := rapid.Float64Range(-300, 300)
		angle := rapid.Float64Range(-3, 3)
		turn := geom.Rotation(geom.Vec{X: angle.Draw(rt, "turn x"), Y: angle.Draw(rt, "turn y"), Z: angle.Draw(rt, "turn z")})
		v := &volume.Volume{Grid: volume.Grid{
			Size:   [3]int{rapid.IntRange(1, 6).Draw(rt, "columns"), rapid.IntRange(1, 6).Draw(rt, "rows"), rapid.IntRange(minSlices, 14).Draw(rt, "slices")},
			Origin: geom.Vec{X: coordinate.Draw(rt, "x"), Y: coordinate.Draw(rt, "y"), Z: coordinate.Draw(rt, "z")},
			Step: [3]geom.Vec{
				r3.Scale(length("column"), turn.Rotate(geom.Vec{X: 1})),
				r3.Scale(length("row"), turn.Rotate(geom.Vec{Y: 1})),
				r3.Scale(length("slice"), turn.Rotate(geom.Vec{Z: 1})),
			},
		}}
		v.Stored = rapid.SliceOfN(rapid.Uint16(), v.Len(), v.Len()).Draw(rt, "stored")
		for range v.Size[2] {
			v.Slope = append(v.Slope, float64(rapid.IntRange(1, 64).Draw(rt, "slope"))/16)
			v.Intercept = append(v.Intercept, float64(rapid.IntRange(-2000, 2000).Draw(rt, "intercept")))
		}
		if rapid.Bool().Draw(rt, "padding") {
			a, b := rapid.Uint16().Draw(rt, "pad"), rapid.Uint16().Draw(rt, "pad")
			v.Padding = &volume.Range{Low: min(a, b), High: max(a, b)}
		}
		order := make([]int, v.Size[2])
		for k := range order {
			order[k] = k
		}
		order = rapid.Permutation(order).Draw(rt, "order")
		signed := rapid.Bool().Draw(rt, "signed")
		syntax := rapid.SampledFrom([]string{uid.ImplicitVRLittleEndian, uid.ExplicitVRLittleEndian, uid.ExplicitVRBigEndian, uid.DeflatedExplicitVRLittleEndian}).Draw(rt, "syntax")
		digest := ""
		for _, w := range []struct {
			v *volume.Volume
			o encode.Options
		}{
			{v, encode.Options{Syntax: syntax, Signed: signed, Name: func(k int) string { return fmt.Sprint(order[k]) }}},
			{v, encode.Options{Syntax: syntax, Signed: signed, Layout: encode.EnhancedCT, Order: order}},
			{reversed(v), encode.Options{Syntax: syntax, Signed: signed, Layout: encode.EnhancedCT}},
		} {
			dir, err := os.MkdirTemp(t.TempDir(), "")
			require.NoError(rt, err)
			require.NoError(rt, encode.Volume(dir, w.v, w.o))
			got, err := Open(dir, Options{})
			require.NoError(rt, err)
			require.Equal(rt, v.Size, got.Size)
			require.Equal(rt, v.Stored, got.Stored)
			require.Equal(rt, v.Padding, got.Padding)
			for _, f := range [][3]float64{{0, 0, 0}, {1, 0, 0}, {0, 1, 0}, {0, 0, 1}, {1, 1, 1}} {
				i, j, k := f[0]*float64(v.Size[0]-1), f[1]*float64(v.Size[1]-1), f[2]*float64(v.Size[2]-1)
				require.Less(rt, r3.Norm(r3.Sub(v.Patient(i, j, k), got.Patient(i, j, k))), 1e-6)
			}
			for k := range v.Slope {
				require.InDelta(rt, v.Slope[k], got.Slope[k], 1e-12)
				require.InDelta(rt, v.Intercept[k], got.Intercept[k], 1e-6)
			}
			if digest == "" {
				digest = got.SHA256()
			}
			require.Equal(rt, digest, got.SHA256())
		}
	})
}

// A stack whose slices are each shifted by the same way against the one before, as a
// computed tomograph with a tilted gantry makes it (PS3.3 C.7.6.2.1.1: each slice has a
// position of its own), keeps its voxels where they lie.
func TestGantryTilt(t *testing.T) {
	for _, layout := range []encode.Layout{encode.SingleFrame, encode.EnhancedCT} {
		v := oblique(4096)
		v.Step[2] = r3.Add(v.Step[2], r3.Add(r3.Scale(0.3, v.Step[1]), r3.Scale(-0.1, v.Step[0])))
		dir := t.TempDir()
		require.NoError(t, encode.Volume(dir, v, encode.Options{Layout: layout}))
		got, err := Open(dir, Options{})
		require.NoError(t, err)
		require.Equal(t, v.Stored, got.Stored)
		require.InDelta(t, v.Lean(), got.Lean(), 1e-5)
		for _, k := range []float64{0, float64(v.Size[2] - 1)} {
			require.Less(t, r3.Norm(r3.Sub(v.Patient(1, 2, k), got.Patient(1, 2, k))), 1e-4)
		}
		require.Len(t, got.Flags, 1)
		require.Equal(t, "gantry-tilt", got.Flags[0].Code)
		require.Equal(t, measurement.Notice, got.Flags[0].Level)
	}
}

// TestRounding reads scans whose positions and directions were printed with few
// decimals: they are the same volume within what was lost.
func TestRounding(t *testing.T) {
	v := oblique(4096)
	for _, c := range []struct {
		name   string
		change func(k int, d *element.Dataset)
		mm     float64 // the most that a corner may move
	}{
		{"positions to 0.01 mm", func(k int, d *element.Dataset) {
			p := v.Patient(0, 0, float64(k))
			d.Set(tag.ImagePositionPatient, fmt.Sprintf(`%.2f\%.2f\%.2f`, p.X, p.Y, p.Z))
		}, 0.01},
		{"directions to three decimals", func(_ int, d *element.Dataset) {
			x, y := r3.Unit(v.Step[0]), r3.Unit(v.Step[1])
			d.Set(tag.ImageOrientationPatient, fmt.Sprintf(`%.3f\%.3f\%.3f\%.3f\%.3f\%.3f`, x.X, x.Y, x.Z, y.X, y.Y, y.Z))
		}, 0.01},
	} {
		dir := t.TempDir()
		require.NoError(t, encode.Volume(dir, v, encode.Options{Change: c.change}))
		got, err := Open(dir, Options{})
		require.NoError(t, err, c.name)
		assert.Empty(t, got.Flags)
		for _, corner := range [][3]float64{{0, 0, 0}, {6, 8, 0}, {0, 0, 11}, {6, 8, 11}} {
			a := v.Patient(corner[0], corner[1], corner[2])
			b := got.Patient(corner[0], corner[1], corner[2])
			assert.Less(t, r3.Norm(r3.Sub(a, b)), c.mm, c.name)
		}
	}
}

// TestUnknownSequence passes over a sequence of unknown value representation and
// undefined length, which holds implicit little endian elements (PS3.5 6.2.2,
// note 2) with sizes of their own.
func TestUnknownSequence(t *testing.T) {
	item := "\xfe\xff\x00\xe0\xff\xff\xff\xff"
	itemStop := "\xfe\xff\x0d\xe0\x00\x00\x00\x00"
	stop := "\xfe\xff\xdd\xe0\x00\x00\x00\x00"
	rows := "\x28\x00\x10\x00\x02\x00\x00\x00\x01\x00"
	nested := "\x09\x00\x11\x10\xff\xff\xff\xff" + item + rows + itemStop + stop
	unknown := append(explicit(8, 2, "UN", 0xFFFFFFFF), item+rows+nested+itemStop+stop...)
	dir := t.TempDir()
	for name, b := range slicesOf(t, encode.Options{}) {
		n := 132 + 12 + int(binary.LittleEndian.Uint32(b[132+8:]))
		put(t, dir, name, slices.Concat(b[:n], unknown, b[n:]))
	}
	got, err := Open(dir, Options{})
	require.NoError(t, err)
	assert.Equal(t, axial(12).Stored, got.Stored)
}

// TestSliceSpacingAgainstTheNormal places frames that run against the normal:
// the first one is the volume's last slice, where the file says it lies.
func TestSliceSpacingAgainstTheNormal(t *testing.T) {
	v := axial(12)
	dir := t.TempDir()
	require.NoError(t, encode.Volume(dir, v, encode.Options{Layout: encode.PlainMultiFrame}))
	got, err := Open(dir, Options{SliceSpacing: -0.25})
	require.NoError(t, err)
	assert.Equal(t, geom.Vec{X: 10, Y: 20, Z: 30}, got.Patient(0, 0, 11))
	assert.Equal(t, geom.Vec{X: 10, Y: 20, Z: 30 - 11*0.25}, got.Patient(0, 0, 0))
	plane := v.Size[0] * v.Size[1]
	for k := range 12 {
		assert.Equal(t, v.Stored[k*plane:(k+1)*plane], got.Stored[(11-k)*plane:(12-k)*plane])
	}
}
