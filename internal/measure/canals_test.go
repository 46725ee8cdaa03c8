package measure

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/dicom/scan"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/phantom"
	"plumbline/internal/plan/casefile"
)

// asked is a plan that asks the planning scan for a canal, held against it.
func asked(t *testing.T, f folder, through ...geom.Vec) *Planned {
	t.Helper()
	f.more = fmt.Sprintf("[[structure]]\nname = \"canal\"\nkind = \"nerve\"\nfind = \"canal\"\nthrough = [%s, %s]\n", point(through[0]), point(through[1]))
	dir := t.TempDir()
	f.writePlan(t, dir)
	c, err := casefile.ReadPlan(dir)
	require.NoError(t, err)
	p, err := CheckPlan(c, &scan.Scan{Volume: *f.pre}, "")
	require.NoError(t, err)
	return p
}

// A canal that the case asks for is a structure like the drawn one, where the scan shows it;
// where it does not, it is left out and doubted. The truth is the phantom's.
func TestCanalIsFound(t *testing.T) {
	spec := phantom.Usual("36")
	spec.Pre.Voxel, spec.Pre.Width, spec.Pre.Height = 0.5, 24, 36
	pre, truth, err := phantom.RenderPre(spec)
	require.NoError(t, err)
	fixture := truth.Fixtures[0]
	f := folder{pre: pre, site: fixture.Site, planned: fixture.Planned, mesial: &fixture.Mesial, diameter: fixture.Diameter, length: fixture.Length}
	var nerve []geom.Vec // in the field
	radius := 0.0
	for _, st := range truth.Structures {
		for _, p := range st.Path {
			if st.Kind == "nerve" && pre.Contains(p) {
				nerve, radius = append(nerve, p), st.Radius[0]
			}
		}
	}
	line, err := clearance.NewChain(nerve, []float64{0})
	require.NoError(t, err)

	from, to := nerve[0], nerve[len(nerve)-1]
	p := asked(t, f, r3.Add(from, geom.Vec{X: 0.5}), r3.Sub(to, geom.Vec{Z: 0.5}))
	require.Len(t, p.Plan.Structures, 1, p.Flags)
	st := p.Plan.Structures[0]
	for i, q := range st.Path {
		assert.Less(t, line.SignedDistance(q), 0.5, i)
		assert.InDelta(t, radius, st.Radius[i], 0.3, i)
	}
	assert.Greater(t, st.DrawnUncertainty, 0.05)
	assert.Less(t, st.DrawnUncertainty, 0.3)
	assert.Contains(t, codes(p.Flags), string(measurement.CodeCanalFound))
	d := p.Sites[0].Distances[0]
	assert.Equal(t, "nerve", d.Kind)
	least := math.Inf(1)
	for _, c := range fixture.Clearance {
		if c.Kind == "nerve" {
			least = min(least, c.Planned)
		}
	}
	assert.InDelta(t, least, d.Planned, 0.3)

	aside := geom.Vec{Z: 7}
	p = asked(t, f, r3.Add(from, aside), r3.Add(to, aside))
	assert.Empty(t, p.Plan.Structures)
	assert.Equal(t, measurement.Doubt, flagged(t, p.Flags, string(measurement.CodeCanalNotFound)).Level)
}
