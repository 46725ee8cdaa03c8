//go:build accuracy

package dentalarch

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/phantom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/tooth"
)

// The directions on synthetic jaws, from the scan alone: within 5° of the truth
// where no flag says that it may be more, off by no more than their uncertainty
// allows, and a plan in other coordinates is caught.
func TestAccuracyOnPhantoms(t *testing.T) {
	classes := []phantom.Class{phantom.Everyday, phantom.ToothlessRidge, phantom.Crowned, phantom.Everyday, phantom.Neighbour, phantom.Coarse}
	var all, shares []float64
	for _, width := range []float64{0, 50, 45} { // mm; 0 for the usual field
		var off []float64
		none, flagged, misread := 0, 0, 0
		for seed := range 72 {
			class := classes[seed%len(classes)]
			spec, err := phantom.Random(uint64(20_000+seed), class)
			require.NoError(t, err)
			// The follow-up scan is not looked at.
			spec.Post.Width, spec.Post.Height, spec.Post.Voxel, spec.Post.Slice, spec.Post.Streaks = 20, 20, 1, 0, 0
			spec.Pre.Voxel, spec.Pre.Slice = 0.5, 0
			if width > 0 {
				spec.Pre.Width = width
			}
			p, err := phantom.Render(spec)
			require.NoError(t, err)
			truth := p.Truth.Fixtures[0] // a second one stands in the first one's directions
			site, err := tooth.Parse(truth.Site, tooth.ISO3950)
			require.NoError(t, err)
			c := &casefile.Case{Frame: casefile.LPS, Numbering: tooth.ISO3950,
				Fixtures: []casefile.Fixture{{Site: site, Planned: truth.Planned}}}
			found := Find(c, c, p.Pre)[0]
			if found.Directions == nil {
				require.Equal(t, []string{"side-not-checked", "directions-not-known"}, codes(found))
				none++
				continue
			}
			angle := across(truth.Planned, found.Directions.Mesial, truth.Mesial)
			u := geom.Degrees(found.Directions.Uncertainty)
			t.Logf("%s %d, %.0f mm, site %s: %.1f° (u %.1f°), %v", class, seed, width, site, angle, u, codes(found))
			off, all, shares = append(off, angle), append(all, angle), append(shares, angle/u)
			if slices.Contains(codes(found), "plan-at-other-tooth") {
				misread++
			}
			if slices.ContainsFunc(found.Flags, uncertain) {
				flagged++
			} else {
				assert.Less(t, angle, wanted, "%s %d, %.0f mm, site %s", class, seed, width, site)
			}
			// The scan may show too little to tell the sides apart.
			if slices.Contains(codes(found), "side-not-checked") || math.Abs(arcOf(site)) < 2*otherSide {
				continue
			}
			for _, to := range []*casefile.Case{moved(c, mirrored), moved(c, ras)} {
				wrong := Find(to, to, p.Pre)[0]
				require.Nil(t, wrong.Directions)
				require.Equal(t, measurement.Doubt, wrong.Flags[0].Level)
			}
		}
		t.Logf("field %.0f mm: %d found, root mean square %.1f°, worst %.1f°; %d flagged, %d not found, %d taken for another tooth", width, len(off), rms(off), slices.Max(off), flagged, none, misread)
		require.Less(t, misread, len(off)/10)
	}
	t.Logf("all: root mean square %.1f°, worst %.1f°, as shares of their uncertainty %.2f and %.1f", rms(all), slices.Max(all), rms(shares), slices.Max(shares))
	// A normal error goes beyond three standard uncertainties once in 370.
	require.Less(t, slices.Max(shares), 3.5)
	require.Less(t, rms(shares), 1.2)
	require.Greater(t, rms(shares), 0.5)
}

func rms(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return math.Sqrt(sum / float64(len(x)))
}
