package code

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom/pkg/tag"

	"plumbline/internal/dicom/element"
	"plumbline/internal/tooth"
)

// The older generation of codes is that of pydicom 2.3.1, by testdata/teeth.py. Of the
// newer one three are set down here as HL7 and national profiles of FHIR name them, and all
// have the check digit of SNOMED CT.
func TestTeeth(t *testing.T) {
	f, err := os.Open(filepath.Join("testdata", "teeth.csv"))
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 33)
	for _, row := range rows[1:] {
		n, err := tooth.Parse(row[0], tooth.ISO3950)
		require.NoError(t, err)
		got, ok := ToothOf(Code{Value: row[1], Scheme: SCT})
		assert.True(t, ok)
		assert.Equal(t, n, got, row[2])
	}
	assert.Equal(t, "422653006", Tooth(11).Value)
	assert.Equal(t, "866006002", Tooth(36).Value)
	assert.Equal(t, "866005003", Tooth(46).Value)

	seen := map[string]tooth.Number{}
	for _, n := range tooth.All() {
		c := Tooth(n)
		got, ok := ToothOf(c)
		assert.True(t, ok)
		assert.Equal(t, n, got)
		for _, value := range teeth[n] {
			if other, twice := seen[value]; twice {
				assert.Equal(t, n, other, "one code of two teeth")
			}
			seen[value] = n
			assert.True(t, verhoeff(value), value)
		}
	}
	_, ok := ToothOf(Code{Value: "112305", Scheme: DCM})
	assert.False(t, ok)
	_, ok = ToothOf(Code{Value: "28480000", Scheme: "LN"})
	assert.False(t, ok)
}

// verhoeff tells whether an identifier of SNOMED CT ends in its check digit (SNOMED CT
// Technical Implementation Guide, Verhoeff's algorithm by the dihedral group D5).
func verhoeff(digits string) bool {
	mult := func(a, b int) int {
		switch {
		case a < 5 && b < 5:
			return (a + b) % 5
		case a < 5:
			return 5 + (a+b-5)%5
		case b < 5:
			return 5 + (a-5-b+5)%5
		}
		return (a - b + 5) % 5
	}
	permute := [10]int{1, 5, 7, 6, 2, 8, 3, 0, 9, 4}
	c := 0
	for i := range len(digits) {
		d := int(digits[len(digits)-1-i] - '0')
		for range i {
			d = permute[d]
		}
		c = mult(c, d)
	}
	return c == 0
}

// A code that is longer than a Code Value takes is a Long Code Value (PS3.3 8.8), and what
// is written is read.
func TestItems(t *testing.T) {
	for _, c := range []Code{Own("short", "x"), Own("follow-up-before-surgery", strings.Repeat("ä", 90))} {
		var d element.Dataset
		d.Set(tag.ConceptCodeSequence, c.Items())
		got := Read(d, tag.ConceptCodeSequence)
		assert.True(t, got.Is(c))
		assert.Equal(t, string([]rune(c.Meaning)[:min(64, len([]rune(c.Meaning)))]), got.Meaning)
		assert.Equal(t, len(c.Value) > 16, c.Items()[0].Has(tag.LongCodeValue))
	}
	assert.Zero(t, Read(nil, tag.ConceptCodeSequence))
	assert.Equal(t, "an odd code", Code{Value: "DOE^JOHN", Scheme: "X"}.String())
}
