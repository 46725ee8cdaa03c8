package measure

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/anatomy/bone"
	"plumbline/internal/anatomy/tissue"
	"plumbline/internal/geom"
	"plumbline/internal/phantom"
)

// A crown's streaks through the bone, in a head so turned that they cross it: what is still
// read is what the same scan shows without the crown, and the rest says why it is left out.
func TestStreaksLeaveBoneOut(t *testing.T) {
	if testing.Short() {
		t.Skip("renders scans with metal")
	}
	for _, c := range []struct {
		site, crown string
		turn        geom.Vec
	}{{"45", "46", geom.Vec{X: -35}}, {"36", "46", geom.Vec{Y: -9}}} {
		var reads [2]bone.Surroundings
		for k, crown := range []string{"", c.crown} {
			spec := phantom.Usual(c.site)
			spec.Pre.Voxel, spec.Pre.Height, spec.Pre.Turn, spec.Pre.Streaks = 0.4, 34, c.turn, 2
			spec.FarCrown = crown
			pre, truth, err := phantom.RenderPre(spec)
			require.NoError(t, err)
			f := truth.Fixtures[0]
			region, ok := tissue.Look(pre, around(f.Planned))
			require.True(t, ok)
			reads[k] = bone.Around(region, bone.Body{Pose: f.Planned, Diameter: f.Diameter, Mesial: f.Mesial, Buccal: f.Buccal})
		}
		left := 0
		for i, clean := range reads[0].Wall {
			w := reads[1].Wall[i]
			if w.Why == bone.NearMetal {
				left++
				continue
			}
			assert.Equal(t, clean.Why, w.Why, "%s %v %.1f", c.site, bone.Directions[w.Direction], w.Depth)
			if w.Why == bone.Known && clean.Why == bone.Known {
				assert.Less(t, math.Abs(w.Value-clean.Value), 0.2, "%s %v %.1f", c.site, bone.Directions[w.Direction], w.Depth)
			}
		}
		assert.Greater(t, left, 8, c.site)
	}
}
