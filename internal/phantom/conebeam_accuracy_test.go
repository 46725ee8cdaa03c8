//go:build accuracy

package phantom

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// Blurred before the logarithm, with a standard deviation s, an edge of metal
// that lets exp(−p) of the beam through moves inwards by
// ∫ p·Φ(x/s) + ln(1 − (1−exp(−p))·Φ(x/s)) dx / p: 0.3 s to 0.4 s for the 4 mm of
// titanium here, 0.03 to 0.05 mm. In the middle the grey value is the other
// renderer's, up to what hardening differs by.
func TestConeBeamAccuracy(t *testing.T) {
	s := Usual("46")
	s.Post.Noise, s.Post.Voxel, s.Post.Blur = 0, 0.3, 0.45
	s.Post.Gain, s.Post.Offset = 1, 0
	cone, truth, err := ConeBeam(s, 4)
	require.NoError(t, err)
	slices, _, err := RenderPost(s, 4)
	require.NoError(t, err)
	require.Equal(t, slices.Grid, cone.Grid)
	pose := truth.Fixtures[0].AchievedPost
	a, b := cone.Region([3]int{}, cone.Size), slices.Region([3]int{}, slices.Size)
	half := func(at func(geom.Vec) float64) float64 { // where the apical end's edge is half high
		top := at(r3.Sub(pose.Apex, r3.Scale(1.5, pose.Axis())))
		low := at(r3.Add(pose.Apex, r3.Scale(1.5, pose.Axis())))
		for z := -1.0; z < 1; z += 0.005 {
			if at(r3.Add(pose.Apex, r3.Scale(z, pose.Axis()))) < (top+low)/2 {
				return z
			}
		}
		return math.NaN()
	}
	withCone, without := half(a.Sample), half(b.Sample)
	assert.InDelta(t, without-0.04, withCone, 0.02)
	mid := r3.Sub(pose.Apex, r3.Scale(2, pose.Axis()))
	assert.InEpsilon(t, b.Sample(mid), a.Sample(mid), 0.08)
}
