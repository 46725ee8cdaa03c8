package pseudonym

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom/pkg/tag"

	"plumbline/internal/dicom/element"
	"plumbline/internal/dicom/encode"
	"plumbline/internal/dicom/scan"
	"plumbline/internal/geom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/volume"
)

// header is whom a scan names whose header has some attributes.
func header(t *testing.T, set map[tag.Tag]string) scan.Identity {
	t.Helper()
	v := &volume.Volume{Grid: volume.Grid{Size: [3]int{4, 4, 12}, Step: [3]geom.Vec{{X: 1}, {Y: 1}, {Z: 1}}}}
	for k := range 12 {
		v.Slope, v.Intercept = append(v.Slope, 1), append(v.Intercept, 0)
		for i := range 16 {
			v.Stored = append(v.Stored, uint16(i+k))
		}
	}
	dir := filepath.Join(t.TempDir(), "scan")
	require.NoError(t, encode.Volume(dir, v, encode.Options{Change: func(_ int, d *element.Dataset) {
		for a, value := range set {
			d.Set(a, value)
		}
	}}))
	s, err := scan.Open(dir, scan.Options{})
	require.NoError(t, err)
	return s.Identity
}

func TestHeadersAreHeldAgainstPseudonyms(t *testing.T) {
	id := header(t, map[tag.Tag]string{
		tag.PatientName: "Müller-Lüdenscheidt^Änne^^Dr.", tag.PatientID: "00-4711", tag.PatientBirthDate: "19700214",
		tag.AccessionNumber: "000 812", tag.OperatorsName: "Root^Li",
	})
	assert.NotContains(t, id.String()+id.GoString(), "ller")
	for text, what := range map[string]string{
		"C-007":           "",
		"clinician-a":     "",
		"Muller":          "the patient's name",
		"case mueller 3":  "the patient's name",
		"MÜLLER":          "the patient's name",
		"luedenscheidt07": "the patient's name",
		"anne":            "the patient's name",
		"C-004711":        "the patient's number",
		"case 00-4711 b":  "the patient's number",
		"14.02.1970":      "the patient's date of birth",
		"1970-02-14":      "the patient's date of birth",
		"A000812":         "the accession number",
		"root":            "the operator's name",
		"Li-ion":          "", // two letters are met by chance
		"4711":            "", // a part of the number
	} {
		_, err := Check(&casefile.Case{File: "case.toml", Name: text, Clinician: "clinician-a"}, id)
		if what == "" {
			assert.NoError(t, err, text)
			continue
		}
		var named *Error
		require.ErrorAs(t, err, &named, text)
		assert.Equal(t, what, named.What, text)
		assert.NotContains(t, err.Error(), text, "neither the text nor the header is shown")
		assert.Contains(t, err.Error(), "case.toml: case: it is or contains "+what)
	}

	// The words of anatomy are surnames too.
	c := &casefile.Case{Name: "C-1", Clinician: "clinician-a", Structures: []casefile.Structure{{Name: "root 45.1"}}}
	_, err := Check(c, id)
	assert.NoError(t, err)
	c.Structures = append(c.Structures, casefile.Structure{Name: "canal of Mueller"})
	_, err = Check(c, id)
	assert.ErrorContains(t, err, "structure 2, name: it is or contains the patient's name")
	c.Structures = nil
	c.Files = []casefile.File{{What: `the surface of "left sinus"`, Path: "scans/00-4711.stl"}}
	_, err = Check(c, id)
	assert.ErrorContains(t, err, `the file name of the surface of "left sinus": it is or contains the patient's number`)
}

// Latin-1, as older machines write it (PS3.3 C.12.1.1.2), and a header that was
// de-identified (PS3.3 C.7.1.1).
func TestHeadersOfOtherKinds(t *testing.T) {
	c := &casefile.Case{Name: "lefevre", Clinician: "clinician-a"}
	latin := map[tag.Tag]string{tag.SpecificCharacterSet: "ISO_IR 100", tag.PatientName: "Lef\xe8vre^Zo\xe9"}
	_, err := Check(c, header(t, latin))
	assert.Error(t, err)
	latin[tag.PatientIdentityRemoved] = "YES"
	_, err = Check(c, header(t, latin))
	assert.NoError(t, err)
	_, err = Check(c, header(t, nil))
	assert.NoError(t, err)
}

// A scan that was exported under a pseudonym has it in its header, and what stands where
// a name would names nobody.
func TestPseudonymousHeaders(t *testing.T) {
	c := &casefile.Case{Name: "PH0005", Clinician: "clinician-a"}
	for _, name := range []string{"PHANTOM^CASE", "Anonymous", "PH0005"} {
		flags, err := Check(c, header(t, map[tag.Tag]string{tag.PatientName: name, tag.PatientID: "PH0005"}))
		require.NoError(t, err)
		require.Len(t, flags, 1)
		assert.Equal(t, "name-in-header", flags[0].Code)
		assert.NotContains(t, flags[0].Message, "PH0005")
	}
	c.Name = "case-12"
	flags, err := Check(c, header(t, map[tag.Tag]string{tag.PatientName: "PHANTOM^CASE", tag.PatientID: "PH0005"}))
	assert.NoError(t, err)
	assert.Empty(t, flags)
}
