package casefile

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/geom"
)

func TestWhatIsWrittenIsReadAsItWas(t *testing.T) {
	margin := 1.5
	c := &Case{Name: `C-"7"`, Placed: "2026-03-14", Clinician: "clinician-a", Frame: LPS, Pre: "pre", Post: "post",
		Fixtures: []Fixture{
			{Site: 36, Planned: geom.Pose{Entry: geom.Vec{X: -24.1, Y: 11.32, Z: 8}, Apex: geom.Vec{X: -24.62, Y: 12.01, Z: -1.91}}, Diameter: 4.1, Length: 10, Guidance: FullGuide, PlanUncertainty: 0.3},
			{Site: 37, Planned: geom.Pose{Entry: geom.Vec{X: -30}, Apex: geom.Vec{X: -30, Z: -8.5}}, Diameter: 4.8, Length: 8.5},
		},
		Structures: []Structure{
			{Name: "left mandibular canal", Kind: Nerve, Path: []geom.Vec{{X: -30, Y: 20.25}, {X: -25, Y: 14, Z: -5.5}}, Radius: []float64{1.4, 1.4}, DrawnUncertainty: 0.4},
			{Name: "left sinus", Kind: Sinus, Surface: "sinus.stl", Margin: &margin},
		}}
	text, err := c.Text()
	require.NoError(t, err)
	file := filepath.Join(t.TempDir(), FileName)
	require.NoError(t, os.WriteFile(file, text, 0o644))
	got, err := ReadPlan(file)
	require.NoError(t, err, "%s", text)
	assert.Equal(t, c.Name, got.Name)
	assert.Equal(t, c.Placed, got.Placed)
	assert.Equal(t, c.Clinician, got.Clinician)
	assert.Equal(t, c.Frame, got.Frame)
	assert.Equal(t, filepath.Join(filepath.Dir(file), "post"), got.Post)
	for i, f := range got.Fixtures {
		f.PlacedDiameter, f.PlacedLength = 0, 0
		assert.Equal(t, c.Fixtures[i], f)
	}
	got.Structures[1].Surface = filepath.Base(got.Structures[1].Surface)
	assert.Equal(t, c.Structures, got.Structures)

	_, err = (&Case{Placed: "14.3.2026"}).Text()
	assert.ErrorContains(t, err, "as in 2026-03-14")
}

func TestAWrittenMeshIsNamed(t *testing.T) {
	c := &Case{Name: "C-7", Placed: "2026-03-14", Clinician: "a", Frame: LPS, Pre: "pre", Post: "post",
		Fixtures: []Fixture{{Site: 36, Mesh: &Mesh{File: "planned.stl"}, Diameter: 4.1}}}
	text, err := c.Text()
	require.NoError(t, err)
	assert.Contains(t, string(text), "mesh = 'planned.stl'")
	assert.NotContains(t, string(text), "entry")
}
