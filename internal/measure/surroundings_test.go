package measure

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/bone"
	"plumbline/internal/geom"
)

// Balls on a ray along x, whose surfaces stand 3 and 5 mm and 2.4 mm from its beginning.
func TestFirstOnARay(t *testing.T) {
	ball := func(x float64) func(geom.Vec) float64 {
		return func(p geom.Vec) float64 { return r3.Norm(r3.Sub(p, geom.Vec{X: x})) - 1 }
	}
	root, sinus := solid{what: "root", distance: ball(4)}, solid{what: "sinus", distance: ball(6)}
	unseen := solid{what: "nasal-cavity", distance: ball(3.4), u: func(geom.Vec) float64 { return math.Inf(1) }}
	glanced := solid{what: "sinus", distance: func(p geom.Vec) float64 { return r3.Norm(r3.Sub(p, geom.Vec{X: 5, Y: 0.99})) - 1 }, u: func(geom.Vec) float64 { return 0.1 }}
	far := bone.Distance{Why: bone.FarAway, Low: bone.Reach, High: math.NaN()}
	near := bone.Distance{Value: 2}
	shown := func(mm float64) *bone.Obstacle { return &bone.Obstacle{What: "root", MM: mm} }
	for name, c := range map[string]struct {
		list   solids
		d      bone.Distance
		shown  *bone.Obstacle
		what   string
		mm     float64
		unsure bone.Why
	}{
		"the nearest, in whatever order":          {solids{sinus, root}, far, nil, "root", 3, bone.Known},
		"none before the surface":                 {solids{root}, near, nil, "", 0, bone.Known},
		"shown and drawn are one root":            {solids{root}, far, shown(3.5), "root", 3.5, bone.Known},
		"a drawn root well before the shown one":  {solids{root}, far, shown(4.5), "root", 3, bone.Known},
		"two drawn roots, the nearer counts":      {solids{root, {what: "root", distance: ball(3.4)}}, far, nil, "root", 2.4, bone.Known},
		"a cavity whose wall is not seen":         {solids{root, unseen}, far, nil, "nasal-cavity", 2.4, behindHidden},
		"a found cavity that the ray glances off": {solids{glanced}, far, nil, "sinus", 4.65, bone.Grazing},
		"a found cavity whose wall is well seen":  {solids{{"sinus", ball(6), func(geom.Vec) float64 { return 0.1 }}}, far, nil, "sinus", 5, bone.Known},
		"a root before such a cavity":             {solids{unseen, {what: "root", distance: ball(2.5)}}, far, nil, "root", 1.5, bone.Known},
		"such a cavity behind the bone's surface": {solids{unseen}, near, nil, "", 0, bone.Known},
	} {
		first, unsure := c.list.first(geom.Vec{}, geom.Vec{X: 1}, c.d, c.shown)
		assert.Equal(t, c.unsure, unsure, name)
		if c.what == "" {
			assert.Nil(t, first, name)
			continue
		}
		assert.Equal(t, c.what, first.What, name)
		assert.InDelta(t, c.mm, first.MM, 0.06, name)
	}
}
