package structurereport

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"

	"plumbline/internal/dicom/code"
	"plumbline/internal/dicom/element"
	"plumbline/internal/geom"
)

func decode(data []byte) (Item, error) {
	f, err := element.Read(bytes.NewReader(data), int64(len(data)), element.Selection{Longest: Longest(), MaxItems: 10_000})
	if err != nil {
		return Item{}, err
	}
	return Read(f.Data)
}

func lines(it Item, depth int) []string {
	name := func(c code.Code) string {
		if c == (code.Code{}) {
			return "-"
		}
		return c.Value + "/" + c.Scheme
	}
	value := ""
	switch it.Type {
	case Coded:
		value = name(it.Code)
	case Numeric:
		value = fmt.Sprintf("%.9f %s", it.Number, name(it.Unit))
	case Text, UIDRef:
		for _, b := range []byte(it.Text) {
			if b < 0x80 {
				value += string(b)
			}
		}
	case Point3D:
		value = fmt.Sprintf("%.4f %.4f %.4f", it.Point.X, it.Point.Y, it.Point.Z)
	case Composite, "IMAGE":
		value = it.Object.Instance
	}
	out := []string{strings.TrimRight(fmt.Sprintf("%d %s %s %s %s", depth, it.Relation, it.Type, name(it.Name), value), " ")}
	for _, child := range it.Items {
		out = append(out, lines(child, depth+1)...)
	}
	return out
}

// Public reports are read as pydicom 2.3.1 reads them (testdata/tree.py).
func TestAgainstPydicom(t *testing.T) {
	for _, name := range []string{"highdicom", "pydicom"} {
		data, err := os.ReadFile(filepath.Join("testdata", name+".dcm"))
		require.NoError(t, err)
		it, err := decode(data)
		require.NoError(t, err)
		want, err := os.ReadFile(filepath.Join("testdata", name+".txt"))
		require.NoError(t, err)
		assert.Equal(t, strings.TrimRight(string(want), "\n"), strings.Join(lines(it, 0), "\n"), name)
	}
}

func tree() Item {
	root := Item{Type: Container, Name: code.Own("root", "Root"), Template: "1500"}
	n := Item{Type: Numeric, Name: code.Own("n", "N"), Number: -0.125, Unit: code.Millimetre}
	n.Add(HasModifier, Item{Type: Coded, Name: code.Own("c", "C"), Code: code.Own("a-rather-long-code-value", "V")})
	root.Add(Contains, n)
	root.Add(Contains, Item{Type: Point3D, Name: code.Own("p", "P"), Point: geom.Vec{X: 1.5, Y: -2, Z: 0.25}, Frame: "1.2.3"})
	root.Add(HasContext, Item{Type: Text, Name: code.Own("t", "T"), Text: "words"})
	root.Add(HasContext, Item{Type: UIDRef, Name: code.Own("u", "U"), Text: "1.2.840.1"})
	root.Add(Contains, Item{Type: Composite, Name: code.Own("o", "O"), Object: References{"1.2", "1.3"}})
	return root
}

// What is written is read, in every transfer syntax that numbers depend on.
func TestThereAndBack(t *testing.T) {
	for _, syntax := range []string{uid.ExplicitVRLittleEndian, uid.ImplicitVRLittleEndian, uid.ExplicitVRBigEndian} {
		d := element.Dataset{}
		d.Set(tag.SOPClassUID, "1.2")
		tree().Into(&d)
		data, err := element.Encode(syntax, d)
		require.NoError(t, err)
		got, err := decode(data)
		require.NoError(t, err)
		assert.Equal(t, tree(), got)
	}
	it := tree()
	assert.Len(t, it.Find(code.Own("c", ""), code.Own("u", "")), 2, "at any depth")
	assert.Contains(t, it.String(), `CONTAINS NUM "N" = -0.125 mm`)
}

func TestNumbersAndPointsThatAreNone(t *testing.T) {
	for _, c := range []struct {
		change func(d *element.Dataset)
		say    string
	}{
		{func(d *element.Dataset) {
			var v element.Dataset
			v.Set(tag.NumericValue, "NaN")
			d.Set(tag.MeasuredValueSequence, []element.Dataset{v})
		}, "number of the item (n, 99PLUMBLINE) is none"},
		{func(d *element.Dataset) {
			d.Set(tag.ValueType, Point3D)
			d.Set(tag.GraphicType, "POINT")
		}, "not three coordinates"},
		{func(d *element.Dataset) {
			d.Set(tag.ValueType, Point3D)
			d.Set(tag.GraphicType, "POINT")
			d.SetVR(tag.GraphicData, "FL", []uint32{0, 0, math.Float32bits(float32(math.NaN()))})
		}, "not finite"},
	} {
		d := element.Dataset{}
		tree().Items[0].Into(&d)
		c.change(&d)
		_, err := Read(d)
		assert.ErrorContains(t, err, c.say)
	}
	// A measurement without a value (PS3.3 C.18.1) is no number.
	d := element.Dataset{}
	tree().Items[0].Into(&d)
	d.Set(tag.MeasuredValueSequence, []element.Dataset{})
	got, err := Read(d)
	require.NoError(t, err)
	assert.True(t, math.IsNaN(got.Number))
}

func FuzzRead(f *testing.F) {
	for _, name := range []string{"highdicom", "pydicom"} {
		data, err := os.ReadFile(filepath.Join("testdata", name+".dcm"))
		require.NoError(f, err)
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		it, err := decode(data)
		if err != nil {
			return
		}
		for _, below := range it.Find(code.Code{}) {
			require.True(t, geom.Finite(below.Point))
			require.False(t, math.IsInf(below.Number, 0))
		}
	})
}
