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
	assert.Len(t, d.Missing(), 8)
}

// Before surgery a case file has no follow-up scan; entering one changes that line
// alone, and neither the plan nor what a seal compares.
func TestFollowUpIsEnteredLater(t *testing.T) {
	d := wholeDraft()
	d.Post = ""
	assert.Empty(t, d.Missing())
	before := parsed(t, d.Text())
	assert.Empty(t, before.Post)
	for name, text := range map[string]string{
		"as it was begun":        d.Text(),
		"without the line":       strings.Replace(d.Text(), "post      = ", "# post    = ", 1),
		"with Windows' line end": strings.ReplaceAll(d.Text(), "\n", "\r\n"),
	} {
		was := parsed(t, text)
		out, err := WithFollowUp("case.toml", []byte(text), FollowUp{Scan: "follow up/scan"})
		require.NoError(t, err, name)
		is := parsed(t, string(out))
		assert.Equal(t, "follow up/scan", is.Post, name)
		assert.Equal(t, was.Fixtures, is.Fixtures, name)
		assert.Equal(t, was.BareSHA256, is.BareSHA256, name)
		assert.NotEqual(t, was.PlanSHA256, is.PlanSHA256, name)
		assert.Equal(t, strings.Count(text, "\r\n") > 0, !strings.Contains(strings.ReplaceAll(string(out), "\r\n", ""), "\n"), name)

		_, err = WithFollowUp("case.toml", out, FollowUp{Scan: "another"})
		assert.ErrorContains(t, err, `a follow-up scan is entered already, "follow up/scan"`)
	}
	moved := parsed(t, strings.Replace(d.Text(), "[1.25, ", "[1.26, ", 1))
	assert.NotEqual(t, before.BareSHA256, moved.BareSHA256, "the plan is in it")
}

// A surface scan and its scan body are entered as a scan is; the plan is the sealed one.
func TestASurfaceScanIsEntered(t *testing.T) {
	const head = "case = \"C-1\"\nplaced = 2026-03-14\nclinician = \"clinician-a\"\nnumbering = \"iso3950\"\npre = \"pre\"\n"
	text := []byte(head + `
[[fixture]]
site = "46"
entry = [1, 2, 3]
apex = [1, 2, -8]
diameter = 4

[[fixture]]
site = "47"
entry = [1, 12, 3]
apex = [1, 12, -8]
diameter = 4
`)
	was := parsed(t, string(text))
	out, err := WithFollowUp("case.toml", text, FollowUp{Surface: "after.stl", ScanBody: "body.stl"})
	require.NoError(t, err)
	is := parsed(t, string(out))
	assert.Equal(t, "after.stl", is.PostSurface)
	for _, f := range is.Fixtures {
		require.NotNil(t, f.ScanBody)
		assert.Equal(t, "body.stl", f.ScanBody.File)
	}
	assert.Equal(t, was.BareSHA256, is.BareSHA256)
	_, err = WithFollowUp("case.toml", out, FollowUp{Surface: "another.stl"})
	assert.ErrorContains(t, err, `a follow-up scan is entered already, "after.stl"`)
	_, err = WithFollowUp("case.toml", text, FollowUp{Surface: "after.stl"})
	assert.ErrorContains(t, err, "scan_body")

	// A line with more on it than what was seated is part of the plan.
	inline := "fixture = [{ scan_body = \"body.stl\", site = \"46\", entry = [1, 2, 3], apex = [1, 2, -8], diameter = 4 }]\n"
	moved := parsed(t, head+strings.Replace(inline, "[1, 2, 3]", "[1, 3, 3]", 1))
	assert.NotEqual(t, parsed(t, head+inline).BareSHA256, moved.BareSHA256)
}
