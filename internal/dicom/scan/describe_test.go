package scan

import (
	"bytes"
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom/pkg/tag"

	"plumbline/internal/dicom/encode"
	"plumbline/internal/geom"
)

// TestDescribe shows what a person is told about a folder with a scan, a scout
// and a damaged file.
func TestDescribe(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, encode.Volume(dir, axial(12), encode.Options{SeriesUID: "1.2.3", StudyDate: "2025-01-02"}))
	require.NoError(t, encode.Volume(filepath.Join(dir, "scout"), axial(1), encode.Options{SeriesUID: "1.2.4", Change: set(tag.ImageType, `ORIGINAL\PRIMARY\LOCALIZER`)}))
	put(t, dir, "stub.dcm", []byte("DICM"))
	d, err := Describe(dir, Options{})
	require.NoError(t, err)
	var b bytes.Buffer
	require.NoError(t, d.WriteText(&b))
	assert.Equal(t, `DIR: 14 files, 2 series
  series 1.2.3
    CT, 2025-01-02, 12 files, 12 slices of 6 × 5 voxels of 0.5 × 0.5 mm, first DIR/IM0001.dcm
    this is the volume that would be used
  series 1.2.4
    CT, 1 file, first DIR/scout/IM0001.dcm
    no volume: DIR/scout/IM0001.dcm is a scout image
volume
  voxels        6 columns × 5 rows × 12 slices of 0.5 × 0.5 × 0.5 mm
  extent        3.0 × 2.5 × 6.0 mm
  first voxel   10.000, 20.000, 30.000 mm (patient coordinates, LPS)
  columns  run  towards the patient's left
  rows     run  towards the patient's back
  slices   run  towards the patient's head
  grey values   -1000 to 1513, not calibrated
  stored as     Explicit VR Little Endian
notice (left-out): not part of the volume: series 1.2.4: 1 file, none usable (first DIR/scout/IM0001.dcm)
notice (unreadable-file): files that cannot be read and were left out: DIR/stub.dcm: not a DICOM file
`, filepath.ToSlash(strings.ReplaceAll(b.String(), dir, "DIR")))

	d.Digest()
	out, err := json.Marshal(d.Volume)
	require.NoError(t, err)
	assert.JSONEq(t, `{"columns":6,"rows":5,"slices":12,"voxel_mm":[0.5,0.5,0.5],"extent_mm":[3,2.5,6],"first_voxel_mm":[10,20,30],
		"directions":["towards the patient's left","towards the patient's back","towards the patient's head"],
		"grey_low":-1000,"grey_high":1513,"transfer_syntax":"Explicit VR Little Endian","modality":"CT","study_date":"2025-01-02","sha256":"`+d.Volume.SHA256+`"}`, string(out))

	s, err := Open(dir, Options{})
	require.NoError(t, err)
	assert.Equal(t, s.SHA256(), d.Volume.SHA256)
}

// TestDescribeNone describes a folder without a volume.
func TestDescribeNone(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, encode.Volume(dir, axial(4), encode.Options{SeriesUID: "1.2.3"}))
	d, err := Describe(dir, Options{})
	require.NoError(t, err)
	var b bytes.Buffer
	require.NoError(t, d.WriteText(&b))
	assert.Equal(t, `DIR: 4 files, 1 series
  series 1.2.3
    CT, 4 files, 4 slices of 6 × 5 voxels of 0.5 × 0.5 mm, first DIR/IM0001.dcm
    no volume: it has 4 slices, a volume needs 10 or more; export the whole series
no volume can be read: DIR: it has 4 slices, a volume needs 10 or more; export the whole series
`, filepath.ToSlash(strings.ReplaceAll(b.String(), dir, "DIR")))
	assert.Nil(t, d.Volume)
}

// TestDirection names directions by their nearest one in the patient.
func TestDirection(t *testing.T) {
	for _, c := range []struct {
		v    geom.Vec
		want string
	}{
		{geom.Vec{X: 0.3}, "towards the patient's left"},
		{geom.Vec{X: -2}, "towards the patient's right"},
		{geom.Vec{Y: 1}, "towards the patient's back"},
		{geom.Vec{Y: -1}, "towards the patient's front"},
		{geom.Vec{Z: 1}, "towards the patient's head"},
		{geom.Vec{Z: -1}, "towards the patient's feet"},
		{geom.Vec{X: 1, Z: -1.7320508}, "30.0° off the patient's feet"},
	} {
		assert.Equal(t, c.want, Direction(c.v))
	}
}

// TestCeiling tells a scan that is clipped at the top from one that is not, with
// rising and falling rescales.
func TestCeiling(t *testing.T) {
	for _, c := range []struct {
		name  string
		slope float64
		top   int // voxels at the top
		want  bool
	}{
		{"clipped", 1, 40, true},
		{"not clipped", 1, 4, false},
		{"clipped, falling", -1, 40, true},
		{"not clipped, falling", -1, 4, false},
	} {
		v := axial(12)
		for i := range v.Stored {
			v.Stored[i] = uint16(1000 + i)
			if i < c.top {
				v.Stored[i] = 3000
			}
			if c.slope < 0 {
				v.Stored[i] = 4000 - v.Stored[i]
			}
		}
		for k := range v.Slope {
			v.Slope[k] = c.slope
		}
		dir := t.TempDir()
		require.NoError(t, encode.Volume(dir, v, encode.Options{}))
		got, err := Open(dir, Options{})
		require.NoError(t, err)
		high := 2000.0
		if c.slope < 0 {
			high = -2000
		}
		assert.Equal(t, high, got.High, c.name)
		if c.want {
			assert.Equal(t, high, got.Ceiling, c.name)
		} else {
			assert.NotEqual(t, high, got.Ceiling, c.name)
		}
	}
}
