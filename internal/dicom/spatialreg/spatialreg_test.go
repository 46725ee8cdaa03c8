package spatialreg

import (
	"bytes"
	"encoding/binary"
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom/pkg/uid"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// Frame of Reference UIDs of the objects in testdata.
const pre, post, third = "1.2.840.1", "1.2.840.22", "1.2.3"

// Points carried by numpy, through objects that pydicom wrote in three transfer
// syntaxes; testdata/objects.py made all.
func TestAgainstNumpy(t *testing.T) {
	f, err := os.Open(filepath.Join("testdata", "points.csv"))
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 10)
	for _, row := range rows[1:] {
		o, err := Read(filepath.Join("testdata", row[0]))
		require.NoError(t, err)
		postToPre, err := o.Between(pre, post)
		require.NoError(t, err)
		var x [6]float64
		for i := range x {
			x[i], err = strconv.ParseFloat(row[1+i], 64)
			require.NoError(t, err)
		}
		got := postToPre.Apply(geom.Vec{X: x[0], Y: x[1], Z: x[2]})
		// The matrices are written with ten decimals.
		require.InDelta(t, 0, r3.Norm(r3.Sub(got, geom.Vec{X: x[3], Y: x[4], Z: x[5]})), 1e-7)

		// The other way round it is the inverse.
		preToPost, err := o.Between(post, pre)
		require.NoError(t, err)
		require.InDelta(t, 0, distance(postToPre.After(preToPost), geom.Identity()), 1e-7)
	}
}

func TestFramesThatAreNotItsOwn(t *testing.T) {
	o, err := Read(filepath.Join("testdata", "two.dcm"))
	require.NoError(t, err)
	require.Len(t, o.SHA256, 64)
	for _, c := range []struct{ pre, post, say string }{
		{"1.2.9", post, "the planning scan's frame of reference 1.2.9 is not in it"},
		{pre, "1.2.9", "the follow-up scan's frame of reference 1.2.9 is not in it"},
		{pre, pre, "the same Frame of Reference UID"},
		{"", post, "has no Frame of Reference UID"},
		{pre, "", "has no Frame of Reference UID"},
	} {
		_, err := o.Between(c.pre, c.post)
		require.ErrorIs(t, err, ErrFrames)
		require.ErrorContains(t, err, c.say)
	}
	_, err = o.Between(third, post)
	require.NoError(t, err, "the registered frame needs no item")

	other := geom.Identity()
	other.T.X = 1
	o.Items = append(o.Items, Item{Frame: post, ToRegistered: other})
	_, err = o.Between(pre, post)
	require.ErrorContains(t, err, "in two ways")
	o.Items[len(o.Items)-1] = o.Items[0]
	_, err = o.Between(pre, post+"\x00")
	require.NoError(t, err, "said twice")
}

// changed is an object of testdata with some bytes replaced, as many as there
// were.
func changed(t *testing.T, old, new string) []byte {
	data, err := os.ReadFile(filepath.Join("testdata", "two.dcm"))
	require.NoError(t, err)
	require.Len(t, new, len(old))
	require.Contains(t, string(data), old)
	return bytes.ReplaceAll(data, []byte(old), []byte(new))
}

func TestFilesThatAreNoRegistration(t *testing.T) {
	whole := changed(t, "RIGID", "RIGID")
	for name, c := range map[string]struct {
		data []byte
		say  string
	}{
		"text":      {[]byte("matrix"), "no DICOM file"},
		"cut short": {whole[:len(whole)-100], "cut short"},
		"scaled":    {changed(t, "RIGID ", "AFFINE"), `"AFFINE"; only RIGID`},
		"image":     {changed(t, "1.2.840.10008.5.1.4.1.1.66.1", "1.2.840.10008.5.1.4.1.1.2\x00\x00\x00"), "no Spatial Registration object"},
		"deflated":  {changed(t, "1.2.840.10008.1.2.1\x00", "1.2.840.10008.1.2.1Z"), "is not read here"},
		"frame":     {changed(t, third+"\x00", "\x00\x00\x00\x00\x00\x00"), "does not name its frame"},
	} {
		t.Run(name, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "reg.dcm")
			require.NoError(t, os.WriteFile(file, c.data, 0o600))
			_, err := Read(file)
			require.ErrorContains(t, err, c.say)
			require.ErrorContains(t, err, "reg.dcm: ")
		})
	}
	_, err := Read("none.dcm")
	require.ErrorIs(t, err, os.ErrNotExist)
}

// Sequences within sequences without end are refused, not followed.
func TestDeepNesting(t *testing.T) {
	data := append(make([]byte, 128), "DICM"...)
	for _, b := range [][]byte{{2, 0, 0x10, 0}, []byte("UI"), {18, 0}, []byte(uid.ImplicitVRLittleEndian + "\x00")} {
		data = append(data, b...)
	}
	for range 100_000 {
		data = binary.LittleEndian.AppendUint32(data, 0x03080070)
		data = binary.LittleEndian.AppendUint32(data, math.MaxUint32)
		data = binary.LittleEndian.AppendUint32(data, 0xE000FFFE)
		data = binary.LittleEndian.AppendUint32(data, math.MaxUint32)
	}
	_, err := decode(data)
	require.ErrorContains(t, err, "nested")
}

func FuzzDecode(f *testing.F) {
	for _, name := range []string{"one.dcm", "two.dcm", "big.dcm"} {
		data, err := os.ReadFile(filepath.Join("testdata", name))
		require.NoError(f, err)
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		o, err := decode(data)
		if err != nil {
			require.Nil(t, o)
			return
		}
		for _, it := range o.Items {
			_, err := geom.FromMatrix(it.ToRegistered.Matrix())
			require.NoError(t, err)
		}
	})
}
