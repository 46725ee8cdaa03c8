package report

import (
	"bytes"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom"
	"github.com/suyashkumar/dicom/pkg/tag"

	"plumbline/internal/dicom/filing"
)

// The wrapped PDF comes out again byte for byte, and nobody is named unless
// asked. (dciodvfy of dicom3tools and dcm2pdf of dcmtk 3.6.7 take the file
// without an error.)
func TestDICOM(t *testing.T) {
	d := Stored(inDoubt(t), Options{})
	pdf, err := d.PDF(A4)
	require.NoError(t, err)
	read := func(a filing.Filing) dicom.Dataset {
		data, err := d.DICOM(A4, a)
		require.NoError(t, err)
		again, err := d.DICOM(A4, a)
		require.NoError(t, err)
		assert.True(t, bytes.Equal(data, again))
		set, err := dicom.Parse(bytes.NewReader(data), int64(len(data)), nil)
		require.NoError(t, err)
		return set
	}
	get := func(set dicom.Dataset, at tag.Tag) string {
		e, err := set.FindElementByTag(at)
		require.NoError(t, err)
		list, _ := e.Value.GetValue().([]string)
		return strings.Join(list, "\\")
	}
	set := read(filing.Filing{})
	assert.Equal(t, encapsulatedPDF, get(set, tag.SOPClassUID))
	assert.Equal(t, "", get(set, tag.PatientName))
	assert.Equal(t, "", get(set, tag.PatientID))
	assert.Equal(t, "application/pdf", get(set, tag.MIMETypeOfEncapsulatedDocument))
	assert.Equal(t, "20260314", get(set, tag.ContentDate))
	e, err := set.FindElementByTag(tag.EncapsulatedDocument)
	require.NoError(t, err)
	assert.Equal(t, pdf, bytes.TrimSuffix(e.Value.GetValue().([]byte)[:len(pdf)+len(pdf)%2], []byte{0}))

	set = read(filing.Filing{PatientName: "DOE^JANE", PatientID: "4711", StudyUID: "1.2.3"})
	assert.Equal(t, "DOE^JANE", get(set, tag.PatientName))
	assert.Equal(t, "4711", get(set, tag.PatientID))
	assert.Equal(t, "1.2.3", get(set, tag.StudyInstanceUID))

	for _, bad := range []filing.Filing{{PatientName: `a\b`}, {PatientID: "a\nb"}, {PatientName: strings.Repeat("x", 65)}, {StudyUID: "1..2"}, {StudyUID: "1.02"}, {StudyUID: "x"}} {
		_, err := d.DICOM(A4, bad)
		assert.Error(t, err)
	}
}
