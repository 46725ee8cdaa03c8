package element

import (
	"bytes"
	"io"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"
)

// everything keeps each attribute that seeds has.
var everything = Selection{MaxItems: 3, Longest: map[tag.Tag]int64{
	tag.Rows: 2, tag.PatientID: 100, tag.ImagePositionPatient: 100, tag.PlanePositionSequence: Items,
}}

// seeds are files in each syntax, with and without pixels, preamble and meta
// information.
func seeds(f *testing.F) (out [][]byte) {
	var inner, d Dataset
	inner.Set(tag.ImagePositionPatient, FormatDecimals(1, -2.5, 1e-7))
	d.Set(tag.SOPInstanceUID, "1.2.3.4")
	d.Set(tag.Rows, []uint16{7})
	d.Set(tag.PatientID, "abc")
	d.Set(tag.PlanePositionSequence, []Dataset{inner, {}, inner})
	for range 2 {
		for _, syntax := range []string{uid.ImplicitVRLittleEndian, uid.ExplicitVRLittleEndian, uid.ExplicitVRBigEndian, uid.DeflatedExplicitVRLittleEndian} {
			b, err := Encode(syntax, d)
			require.NoError(f, err)
			out = append(out, b, b[preambleLength:], b[preambleLength+len(dicomMark):])
		}
		d.SetVR(tag.PixelData, "OB", Fragments{Parts: [][]byte{{1, 2}}})
	}
	return append(out, []byte(ZipMark))
}

// FuzzRead walks over any bytes, once with seeking and once as a stream: both
// find the same.
func FuzzRead(f *testing.F) {
	for _, b := range seeds(f) {
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		disk, diskErr := Read(bytes.NewReader(b), int64(len(b)), everything)
		stream, streamErr := Read(struct{ io.Reader }{bytes.NewReader(b)}, int64(len(b)), everything)
		require.Equal(t, diskErr == nil, streamErr == nil, "%v, %v", diskErr, streamErr)
		if diskErr != nil {
			require.Equal(t, diskErr.Error(), streamErr.Error())
			return
		}
		stream.Unpacked = disk.Unpacked
		require.Equal(t, disk, stream)
	})
}

// FuzzDecimal reads any text as a decimal string: what it takes is finite and
// has no more than digits, signs, one point or comma and an exponent.
func FuzzDecimal(f *testing.F) {
	for _, s := range []string{"1", "-0.5", "0,5", "1e3", "0.66,0.66", "NaN", "Inf", "0x10", "1_0", "", " ", "1e999", "+.5", "1.5,"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		v, comma, err := decimal(s)
		if err != nil {
			return
		}
		require.False(t, math.IsNaN(v) || math.IsInf(v, 0))
		require.Empty(t, strings.Trim(s, "0123456789+-.,eE"))
		require.Equal(t, comma, strings.Contains(s, ","))
	})
}
