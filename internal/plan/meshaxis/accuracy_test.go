//go:build accuracy

package meshaxis

import "testing"

func TestAccuracyOfDrawnFixtures(t *testing.T) {
	check(t, usualFixtures(), 8, 0.05)
	check(t, map[string]drawn{
		"plain, few triangles":    with(usual(), plain, func(d *drawn) { d.step = 0.8 }),
		"tapered":                 with(usual(), tapered),
		"sleeved":                 with(usual(), sleeved),
		"sleeved, rough":          with(usual(), sleeved, rough),
		"open at both ends":       with(usual(), openEnds),
		"open above, rough":       with(usual(), rough, func(d *drawn) { d.openTop, d.bore = true, 0 }),
		"left-handed, two starts": with(usual(), rough, func(d *drawn) { d.left, d.starts = true, 2 }),
		"rings, rough":            with(usual(), rough, func(d *drawn) { d.rings = true }),
		"short, sleeved, rough":   with(usual(), rough, sleeved, func(d *drawn) { d.diameter, d.length, d.bore = 4.6, 6, 1.3 }),
		"thin and long, rough":    with(usual(), rough, func(d *drawn) { d.diameter, d.length, d.bore, d.depth = 3, 15, 0.8, 0.3 }),
		"with its axis drawn":     with(usual(), func(d *drawn) { d.line = true }),
		"pointed, rough":          with(usual(), rough, func(d *drawn) { d.taper, d.round = 0.4, 0.6 }),
	}, 8, 0.05)
	// At a noise of 0.02 mm the corners of so short a fixture tell its axis to 0.02°
	// (standard deviation each way) at the very best, so that one in fifteen or so
	// is more than 0.05° off; at half of that none is.
	short := with(usual(), rough, func(d *drawn) { d.diameter, d.length, d.bore, d.holes = 5.5, 6, 1.4, 4 })
	check(t, map[string]drawn{"short and wide, rough": with(short, func(d *drawn) { d.noise = 0.01 })}, 12, 0.05)
	check(t, map[string]drawn{"short and wide, very rough": short}, 12, 0.1)
}
