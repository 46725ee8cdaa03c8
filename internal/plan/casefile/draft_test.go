package casefile

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/geom"
	"plumbline/internal/tooth"
)

func wholeDraft() Draft {
	return Draft{
		Case: "C-007", Clinician: "clinician-a", Placed: "2026-03-14", Frame: RAS, Numbering: tooth.Universal, Pre: "pre", Post: "post scan",
		ScanNote: "told by their dates",
		Fixtures: []DraftFixture{{Site: "19", Planned: &geom.Pose{Entry: geom.Vec{X: 1, Y: 2, Z: 3}, Apex: geom.Vec{X: 1.25, Y: 2, Z: -7}}, Decimals: 2, Diameter: 4.1, Length: 10, Guidance: FullGuide}},
	}
}

func TestWholeDraftIsACaseFile(t *testing.T) {
	d := wholeDraft()
	assert.Empty(t, d.Missing())
	assert.NotContains(t, d.Text(), fillIn)
	c := parsed(t, d.Text())
	assert.Equal(t, "C-007", c.Name)
	assert.Equal(t, "2026-03-14", c.Placed)
	assert.Equal(t, RAS, c.Frame)
	assert.Equal(t, "post scan", c.Post)
	f := c.Fixtures[0]
	assert.Equal(t, tooth.Number(36), f.Site)
	assert.Equal(t, *d.Fixtures[0].Planned, f.Planned)
	assert.Equal(t, 10.0, f.Length)
	assert.Contains(t, d.Text(), "[1.25, 2.00, -7.00]", "digits as printed: they tell how exact the plan is")
}

// A field that is to be filled in is refused with its name, whichever it is.
func TestDraftIsRefusedUntilItIsFilledIn(t *testing.T) {
	for _, c := range []struct {
		field string
		leave func(d *Draft)
	}{
		{"case", func(d *Draft) { d.Case = "" }},
		{"placed", func(d *Draft) { d.Placed = "" }},
		{"clinician", func(d *Draft) { d.Clinician = "" }},
		{"numbering", func(d *Draft) { d.Numbering = "" }},
		{"pre", func(d *Draft) { d.Pre = "" }},
		{"post", func(d *Draft) { d.Post = "" }},
		{"fixture 1, site", func(d *Draft) { d.Fixtures[0].Site = "" }},
		{"fixture 1, entry and apex", func(d *Draft) { d.Fixtures[0].Planned = nil }},
		{"fixture 1, diameter", func(d *Draft) { d.Fixtures[0].Diameter = 0 }},
	} {
		d := wholeDraft()
		c.leave(&d)
		require.Equal(t, []string{c.field}, d.Missing())
		require.Contains(t, d.Text(), fillIn)
		_, err := parse("case.toml", []byte(d.Text()))
		fault := asFault(t, err)
		assert.True(t, strings.HasPrefix(c.field, strings.Split(fault.Field, ", ")[0]), "%s: %v", c.field, err)
	}
	d := Draft{Fixtures: []DraftFixture{{}}}
	assert.Len(t, d.Missing(), 9)
}
