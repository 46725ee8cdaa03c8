package report

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"gonum.org/v1/gonum/spatial/r3"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
)

// around is bone of a thickness on all sides, with a tooth to mesial.
func around(bone float64) *measurement.Around {
	out := &measurement.Around{Apical: &measurement.Apical{First: &measurement.Obstacle{What: "canal", MM: bone}}, ApicalMM: pt(bone)}
	for _, depth := range []float64{1, 3, 4, 5, 7} {
		for _, direction := range []string{"buccal", "mesiobuccal", "mesial", "mesiolingual", "lingual", "distolingual", "distal", "distobuccal"} {
			w := measurement.Wall{Depth: depth, Direction: direction, Bone: pt(bone), Low: pt(bone - 0.1), High: pt(bone + 0.1), Resolved: true}
			if direction == "mesial" {
				w.Bone, w.Low, w.High, w.First = nil, nil, nil, &measurement.Obstacle{What: "root", MM: bone}
			}
			out.Wall = append(out.Wall, w)
			if depth == 1 {
				out.Crest = append(out.Crest, measurement.Crest{Direction: direction, Crest: pt(-bone / 4), Low: pt(-bone/4 - 0.2), High: pt(-bone/4 + 0.2)})
			}
		}
	}
	return out
}

func TestBoneAsPlacedAndAsPlanned(t *testing.T) {
	placed, planned := around(1.4), around(2.2)
	// Outside the bone, not seen, and a level that rounds to nothing.
	placed.Wall[0].Bone, placed.Wall[0].Low, placed.Wall[0].High = pt(-0.8), pt(-1.3), pt(-0.3)
	placed.Wall[1].Bone, placed.Wall[1].Low, placed.Wall[1].High, placed.Wall[1].Why = nil, nil, nil, "grazing"
	placed.Crest[0].Crest = pt(-0.04)
	bone, beyond := boneTable(&measurement.Surroundings{Planned: planned, Achieved: placed})
	require.Len(t, bone.Rows, 8+1)
	var heads []string
	for _, c := range bone.Columns {
		heads = append(heads, c.Head)
	}
	assert.Equal(t, []string{"towards", "1 mm", "3 mm", "4 mm", "5 mm", "7 mm", "crest"}, heads)
	assert.Equal(t, row{Strong: true, Cells: []string{"buccal", "-0.8 (2.2)", "1.4 (2.2)", "1.4 (2.2)", "1.4 (2.2)", "1.4 (2.2)", "0.0 (-0.6)"}}, bone.Rows[0])
	assert.Equal(t, "oblique (2.2)", bone.Rows[1].Cells[1])
	assert.Equal(t, "tooth 1.4 (2.2)", bone.Rows[2].Cells[1])
	assert.Equal(t, []string{"± up to", "0.5", "0.1", "0.1", "0.1", "0.1", "0.2"}, bone.Rows[8].Cells)
	assert.Equal(t, "Beyond the apex, along the axis: canal 1.4 mm (2.2 mm).", beyond.Text)

	bone, beyond = boneTable(&measurement.Surroundings{Planned: planned})
	assert.Contains(t, bone.Caption, "as planned,")
	assert.Equal(t, "2.2", bone.Rows[0].Cells[1])
	assert.Equal(t, "Beyond the apex, along the axis: canal 2.2 mm.", beyond.Text)
	bone, _ = boneTable(nil)
	assert.Empty(t, bone.Rows)
}

// A case of two fixtures, with all that a report can have of each, takes five pages.
func TestTwoFixturesOnFivePages(t *testing.T) {
	s := study(t)
	quality := s.Result.Alignment.Quality
	for i, key := range []string{"disagreement_mm", "head_travel_mm", "coverage_ratio", "runner_up_ratio", "scale_columns_ratio", "scale_slices_ratio"} {
		quality[key] = 0.01 * float64(i)
	}
	f := s.Result.Fixtures[0]
	f.Clearance = f.Clearance[:2]
	f.Clearance = append(f.Clearance, measurement.Clearance{Structure: "right mandibular canal", Kind: "nerve", Planned: 43, Achieved: pt(43.5), Margin: pt(2)},
		measurement.Clearance{Structure: "fixture at 36", Kind: "fixture", Planned: 3.2, Achieved: pt(4.1), Low: pt(4), High: pt(4.2), Margin: pt(3)})
	f.Flags = measurement.Flags{{Code: measurement.CodePlatformCovered, Level: measurement.Notice, Message: "site 36: a screw, abutment or crown covers the platform (metal goes 3.6 mm farther), so the platform was worked out from the apex and the known length of 10.0 mm; if that length is wrong, the entry is wrong by as much"},
		{Code: measurement.CodeSeatOnTrust, Level: measurement.Notice, Message: "site 36: the depth holds if the scan body was down on its fixture and the fixture is 11.5 mm long; a surface scan shows neither"}}
	f.Surroundings = &measurement.Surroundings{Planned: around(2.2), Achieved: around(1.4)}
	for _, name := range []string{"blooming and beam hardening", "known length", "alignment", "voxel size", "head motion", "digits of the plan", "length on trust"} {
		f.Uncertainty.Budget = append(f.Uncertainty.Budget, measurement.Source{Name: name, EntryAlong: 0.01})
	}
	second, site := f, s.Sites[0]
	second.Site = "37"
	site.Plan.Site = 37
	move := func(p geom.Pose) geom.Pose {
		return geom.Pose{Entry: r3.Add(p.Entry, geom.Vec{Y: 8}), Apex: r3.Add(p.Apex, geom.Vec{Y: 8})}
	}
	placed := move(*site.Achieved.Pose)
	site.Plan.Planned, site.Achieved.Pose = move(site.Plan.Planned), &placed
	s.Result.Fixtures = []measurement.Fixture{f, second}
	s.Sites = append(s.Sites, site)
	s.Sites[0].Figures, s.Sites[1].Figures = &s.Result.Fixtures[0], &s.Result.Fixtures[1]

	d, err := Case(s, Options{})
	require.NoError(t, err)
	for _, paper := range []Paper{A4, Letter} {
		pdf, err := d.PDF(paper)
		require.NoError(t, err)
		text := oneLine(pdfText(t, pdf))
		assert.Contains(t, text, "page 5 of 5", paper.Name)
		second, _, _ := strings.Cut(text[strings.Index(text, "page 2 of 5"):], "page 3 of 5")
		for _, want := range []string{"Site 36, lower left first molar", "where left mandibular canal comes nearest", "1.4 (2.2)", "Site 36 before and after"} {
			assert.Contains(t, second, want, paper.Name)
		}
	}
}

// Where a fixture leaves the bone, the picture of that comes before those of structures that
// it does not enter, with the distance in the cut and its interval beneath.
func TestWhereAFixtureLeavesTheBone(t *testing.T) {
	s := study(t)
	f := s.Sites[0].Figures
	require.NotNil(t, s.Sites[0].Directions)
	f.Surroundings = &measurement.Surroundings{Planned: around(1.4), Achieved: around(1.4)}
	w := &f.Surroundings.Achieved.Wall[0]
	captions := func() (out []string) {
		drawn, err := drawScenes(s, Options{})
		require.NoError(t, err)
		for _, p := range drawn.fixtures[0].nearest {
			out = append(out, p.Caption)
		}
		return out
	}
	before := captions()
	w.Bone, w.Low, w.High = pt(-0.8), pt(-1.3), pt(-0.3)
	assert.Equal(t, append([]string{
		"Planning scan, where the fixture leaves the bone to buccal, 1.0 mm below the platform.",
		"The same cut of the follow-up scan: 0.80 mm outside it (95 %: 0.30 to 1.30 mm).",
	}, before...)[:min(2*mostNearest, len(before)+2)], captions())
	w.Bone, w.Low = nil, nil
	assert.Contains(t, captions()[1], ": at least 0.30 mm outside it.")
	w.High, w.Why = nil, "not-in-bone"
	assert.Contains(t, captions()[1], ": more than 2.05 mm outside it.")
}
