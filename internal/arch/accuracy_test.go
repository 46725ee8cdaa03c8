//go:build accuracy

package arch

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"plumbline/internal/casefile"
	"plumbline/internal/phantom"
	"plumbline/internal/result"
	"plumbline/internal/tooth"
)

// The directions on synthetic jaws: within 5° of the truth from the scan alone,
// and a plan in other coordinates is caught.
func TestAccuracyOnPhantoms(t *testing.T) {
	sum, worst, n := 0.0, 0.0, 0.0
	for k, class := range []phantom.Class{phantom.Everyday, phantom.ToothlessRidge, phantom.Neighbour, phantom.Crowned, phantom.Coarse} {
		for seed := range uint64(3) {
			spec, err := phantom.Random(1000*uint64(k)+seed, class)
			require.NoError(t, err)
			// The follow-up scan is not looked at.
			spec.Post.Width, spec.Post.Height, spec.Post.Voxel, spec.Post.Slice, spec.Post.Streaks = 20, 20, 0.6, 0, 0
			p, err := phantom.Render(spec)
			require.NoError(t, err)
			truth := p.Truth.Fixtures[0] // a second one stands in the first one's directions
			site, err := tooth.Parse(truth.Site, tooth.ISO3950)
			require.NoError(t, err)
			c := &casefile.Case{Frame: casefile.LPS, Numbering: tooth.ISO3950,
				Fixtures: []casefile.Fixture{{Site: site, Planned: truth.Planned}}}
			found := Find(c, c, p.Pre)[0]
			require.NotNil(t, found.Directions, "%s %d, site %s: %+v", class, seed, site, found.Flags)
			off := across(truth.Planned, found.Directions.Mesial, truth.Mesial)
			t.Logf("%s %d, site %s: %.1f°, %v", class, seed, site, off, codes(found))
			sum, worst, n = sum+off, max(worst, off), n+1
			if len(found.Flags) > 0 { // the scan shows too little to tell the sides apart
				continue
			}
			if a := math.Abs(arcOf(site)); a < 2*otherSide {
				continue
			}
			for _, to := range []*casefile.Case{moved(c, mirrored), moved(c, ras)} {
				wrong := Find(to, to, p.Pre)[0]
				require.Nil(t, wrong.Directions)
				require.Equal(t, result.Doubt, wrong.Flags[0].Level)
			}
		}
	}
	t.Logf("mean %.1f°, worst %.1f°", sum/n, worst)
	require.Less(t, worst, 5.0)
}
