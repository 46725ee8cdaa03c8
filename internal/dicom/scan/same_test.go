package scan

import (
	"bytes"
	"encoding/binary"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"

	"plumbline/internal/dicom/element"
	"plumbline/internal/dicom/encode"
)

// TestReadAllTheSame spoils scans in ways that say nothing about the voxels or
// their places: each is read as if it were whole, without a remark.
func TestReadAllTheSame(t *testing.T) {
	short := func(group, element uint16, vr string, value []byte) []byte {
		b := binary.LittleEndian.AppendUint16(nil, group)
		b = binary.LittleEndian.AppendUint16(b, element)
		b = append(b, vr...)
		return append(binary.LittleEndian.AppendUint16(b, uint16(len(value))), value...)
	}
	// second puts raw elements behind a dataset's first, SpecificCharacterSet of
	// 10 characters.
	second := func(raw []byte) func([]byte) []byte {
		return func(b []byte) []byte {
			n := 132 + 12 + int(binary.LittleEndian.Uint32(b[132+8:])) + 8 + 10
			return slices.Concat(b[:n], raw, b[n:])
		}
	}
	for _, c := range []struct {
		name   string
		syntax string
		layout encode.Layout
		change func(int, *element.Dataset)
		bytes  func([]byte) []byte // of a whole file
	}{
		{name: "character set of Thai", change: set(tag.SpecificCharacterSet, "ISO_IR 166")},
		{name: "character set that does not exist", change: set(tag.SpecificCharacterSet, "iso ir 100 ")},
		{name: "character sets with extensions", change: set(tag.SpecificCharacterSet, `\ISO 2022 IR 149\ISO 2022 IR 87`)},
		{name: "character set as bytes", change: every(func(d *element.Dataset) { d.SetVR(tag.SpecificCharacterSet, "UN", []byte("ISO_IR 100")) })},
		{name: "names that are no text", change: set(tag.PatientName, "\xff\xfe=\x1b$B;3ED\x1b(B^\x00")},
		{name: "rows as bytes", change: every(func(d *element.Dataset) { d.SetVR(tag.Rows, "UN", []byte{5, 0}) })},
		{name: "rows as a longer number", change: every(func(d *element.Dataset) { d.SetVR(tag.Rows, "UL", []uint32{5}) })},
		{name: "columns as text", change: every(func(d *element.Dataset) { d.SetVR(tag.Columns, "IS", "6 ") })},
		{name: "sign as text bits", change: every(func(d *element.Dataset) { d.SetVR(tag.PixelRepresentation, "SS", []uint16{0}) })},
		{name: "spacing as long text", change: every(func(d *element.Dataset) { d.SetVR(tag.PixelSpacing, "UT", ` 0.5 \ 5e-1 `) })},
		{name: "position as binary numbers", change: func(k int, d *element.Dataset) {
			d.SetVR(tag.ImagePositionPatient, "FD", []float64{10, 20, 30 + 0.5*float64(k)})
		}},
		{name: "number of frames empty", change: set(tag.NumberOfFrames, "")},
		{name: "slice thickness empty", change: set(tag.SliceThickness, "")},
		{name: "high bit missing", change: remove(tag.HighBit)},
		{name: "samples a pixel missing", change: remove(tag.SamplesPerPixel, tag.PhotometricInterpretation)},
		{name: "numbers of 64 bits", change: every(func(d *element.Dataset) {
			for i, vr := range []string{"OV", "SV", "UV"} {
				d.SetVR(tag.Tag{Group: 9, Element: uint16(0x1001 + i)}, vr, []uint64{1, 2})
			}
			d.SetVR(tag.Tag{Group: 9, Element: 0x1004}, "OD", make([]byte, 16))
			d.SetVR(tag.Tag{Group: 9, Element: 0x1005}, "OL", make([]byte, 16))
		})},
		{name: "a value representation of the future", bytes: second(append(explicit(8, 6, "ZZ", 4), 1, 2, 3, 4))},
		{name: "an element of odd length", bytes: second(short(8, 6, "LO", []byte("odd")))},
		{name: "elements out of order", bytes: second(short(0x10, 0x20, "LO", []byte("anyone")))},
		{name: "zeros behind the pixels", bytes: func(b []byte) []byte { return append(b, make([]byte, 64)...) }},
		{name: "padding behind the pixels", change: every(func(d *element.Dataset) {
			d.SetVR(tag.Tag{Group: 0xFFFC, Element: 0xFFFC}, "OB", make([]byte, 30))
		})},
		{name: "an odd number of bytes", layout: encode.EnhancedCT, bytes: func(b []byte) []byte { return append(b, 0) }},
		{name: "no preamble", bytes: func(b []byte) []byte { return b[128:] }},
		{name: "no preamble and no file meta information", bytes: func(b []byte) []byte {
			return b[132+12+binary.LittleEndian.Uint32(b[132+8:]):]
		}},
		{name: "the same, big endian", syntax: uid.ExplicitVRBigEndian, bytes: func(b []byte) []byte {
			return b[132+12+binary.LittleEndian.Uint32(b[132+8:]):]
		}},
		{name: "file meta information without its length", bytes: func(b []byte) []byte { return slices.Concat(b[:132], b[132+12:]) }},
		{name: "implicit, said to be explicit", syntax: uid.ImplicitVRLittleEndian, bytes: func(b []byte) []byte {
			return bytes.Replace(b, []byte("\x12\x001.2.840.10008.1.2\x00"), []byte("\x14\x001.2.840.10008.1.2.1\x00"), 1)
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			v := axial(12)
			require.NoError(t, encode.Volume(dir, v, encode.Options{Layout: c.layout, Syntax: c.syntax, Change: c.change, SeriesUID: "1.2.3"}))
			if c.bytes != nil {
				files, err := filepath.Glob(filepath.Join(dir, "*"))
				require.NoError(t, err)
				for _, f := range files {
					b, err := os.ReadFile(f)
					require.NoError(t, err)
					changed := c.bytes(slices.Clone(b))
					require.NotEqual(t, b, changed)
					require.NoError(t, os.WriteFile(f, changed, 0o644))
				}
			}
			got, err := Open(dir, Options{})
			require.NoError(t, err)
			assert.Empty(t, got.Flags)
			assert.Equal(t, v.Stored, got.Stored)
			assert.Equal(t, v.Grid, got.Grid)
		})
	}
}
