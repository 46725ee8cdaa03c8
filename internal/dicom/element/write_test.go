package element

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"
	"pgregory.net/rapid"

	_ "plumbline/internal/seeded" // of rapid
)

// TestEncode compares a small file with its bytes, written out by hand from
// PS3.5 7.1 and PS3.10 7.1.
func TestEncode(t *testing.T) {
	var d Dataset
	d.Set(tag.Rows, []uint16{0x0102})
	d.Set(tag.Modality, "CT")
	d.Set(tag.PatientID, "abc")
	d.SetVR(tag.PixelData, "OW", []uint16{0x0304})
	d.Set(tag.PlanePositionSequence, []Dataset{{tag.SliceThickness: newElement("DS", "1")}})
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

// TestFormatDecimals checks that decimal strings are short enough (PS3.5 6.2, DS: 16
// characters) and as close as that allows: nine digits in the worst case, a
// negative number with a three-digit exponent.
func TestFormatDecimals(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64Range(-1e300, 1e300).Draw(t, "x")
		s := FormatDecimals(x)
		require.LessOrEqual(t, len(s), 16)
		got, err := strconv.ParseFloat(s, 64)
		require.NoError(t, err)
		require.LessOrEqual(t, math.Abs(got-x), 1e-8*math.Abs(x), s)
	})
	assert.Equal(t, `0.25\-1000\0.1`, FormatDecimals(0.25, -1000, 0.1))
}

// TestSet puts an attribute in the place of an earlier one.
func TestSet(t *testing.T) {
	var d Dataset
	d.Set(tag.Rows, []uint16{1})
	d.Set(tag.Rows, []uint16{2})
	n, ok, err := d.Integer(tag.Rows)
	require.NoError(t, err)
	assert.True(t, ok)
	assert.Equal(t, 2, n)
	assert.Len(t, d, 1)
}

// TestEncodeRefusals shows what cannot be written.
func TestEncodeRefusals(t *testing.T) {
	for _, c := range []struct {
		t     tag.Tag
		value any
		want  string
	}{
		{tag.Rows, 5, "(0028,0010): a value of type int"},
		{tag.Rows, []float64{5}, "(0028,0010): numbers of 8 bytes for the value representation US"},
		{tag.PatientID, strings.Repeat("x", 65535), "(0010,0020): 65536 bytes, at most 65534 fit"},
		{tag.PlanePositionSequence, []Dataset{{tag.Rows: newElement("US", "text"), tag.Columns: newElement("US", 'x')}}, "(0020,9113): (0028,0011): a value of type int32"},
	} {
		var d Dataset
		d.Set(c.t, c.value)
		_, err := Encode(uid.ExplicitVRLittleEndian, d)
		assert.EqualError(t, err, c.want)
	}
}

// TestWriteAsRead reads what was written in each syntax and writes it in every
// other one: the files are those that were written straight away.
func TestWriteAsRead(t *testing.T) {
	var inner, d Dataset
	inner.Set(tag.ImagePositionPatient, FormatDecimals(1, -2.5, 1e-7))
	inner.SetVR(tag.SliceThickness, "FD", []float64{0.25})
	d.Set(tag.SOPClassUID, "1.2.840.10008.5.1.4.1.1.7")
	d.Set(tag.SOPInstanceUID, "1.2.3.4")
	d.Set(tag.Rows, []uint16{0x0102})
	d.Set(tag.FrameIncrementPointer, []uint16{0x18, 0x50})
	d.Set(tag.EncapsulatedDocumentLength, []uint32{0x01020304})
	d.Set(tag.ExtendedOffsetTable, []uint64{1, 0x0102030405060708})
	d.SetVR(tag.RedPaletteColorLookupTableData, "OW", []uint16{0x0A0B, 0x0C0D})
	d.Set(tag.PatientID, "abc")
	d.Set(tag.PlanePositionSequence, []Dataset{inner, {}})
	keep := Selection{Longest: map[tag.Tag]int64{tag.PlanePositionSequence: Items}, MaxItems: 2}
	for _, from := range []Dataset{d, inner} {
		for x := range from {
			if x != tag.PlanePositionSequence {
				keep.Longest[x] = 100
			}
		}
	}
	syntaxes := []string{uid.ImplicitVRLittleEndian, uid.ExplicitVRLittleEndian, uid.ExplicitVRBigEndian, uid.DeflatedExplicitVRLittleEndian}
	files := map[string][]byte{}
	for _, syntax := range syntaxes {
		b, err := Encode(syntax, d)
		require.NoError(t, err)
		files[syntax] = b
	}
	for from, b := range files {
		f, err := Read(bytes.NewReader(b), int64(len(b)), keep)
		require.NoError(t, err)
		assert.Equal(t, from, f.Syntax)
		assert.Len(t, f.Data, len(d)+1, "and the transfer syntax")
		to, ok := f.Data.Pointer(tag.FrameIncrementPointer)
		assert.True(t, ok)
		assert.Equal(t, tag.SliceThickness, to)
		assert.Equal(t, []uint64{1, 0x0102030405060708}, f.Data.Uint64s(tag.ExtendedOffsetTable))
		if from == uid.ImplicitVRLittleEndian {
			continue // what was set against the dictionary cannot be known from it
		}
		for _, syntax := range syntaxes {
			again, err := Encode(syntax, f.Data)
			require.NoError(t, err)
			assert.Equal(t, files[syntax], again, "%s to %s", from, syntax)
		}
	}
}
