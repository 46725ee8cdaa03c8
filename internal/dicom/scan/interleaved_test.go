package scan

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"

	"plumbline/internal/geom"
	"plumbline/internal/volume"
)

// The head moved sideways between two scans whose slices alternate: told from the
// voxels alone, and not of one scan, of noise or of a stack in which it moved once.
func TestAlternatingVoxels(t *testing.T) {
	const side, slices = 40, 60
	made := func(grey func(x, y, z int) float64) *volume.Volume {
		v := &volume.Volume{Grid: volume.Grid{Size: [3]int{side, side, slices}, Step: [3]geom.Vec{{X: 1}, {Y: 1}, {Z: 1}}}}
		for z := range slices {
			v.Slope, v.Intercept = append(v.Slope, 1), append(v.Intercept, -1000)
			for y := range side {
				for x := range side {
					v.Stored = append(v.Stored, uint16(grey(x, y, z)))
				}
			}
		}
		return v
	}
	smooth := func(x, y, z float64) float64 {
		return 1500 + 900*math.Sin(x/4)*math.Cos(y/5)*math.Sin(z/6)
	}
	noise := func(x, y, z int) float64 { return float64((x*7919 + y*104729 + z*1299709) % 1009) }
	stats := make([]sliceStats, slices)
	for name, c := range map[string]struct {
		grey func(x, y, z int) float64
		want bool
	}{
		"one scan": {func(x, y, z int) float64 { return smooth(float64(x), float64(y), float64(z)) }, false},
		"noise":    {noise, false},
		"two scans": {func(x, y, z int) float64 {
			return smooth(float64(x+3*(z%2)), float64(y), float64(z)) + noise(x, y, z)/20
		}, true},
		"moved once": {func(x, y, z int) float64 { return smooth(float64(x+3*(z/30)), float64(y), float64(z)) }, false},
	} {
		v := made(c.grey)
		assert.Equal(t, c.want, alternatingVoxels(v, stats), name)
	}
	padded := make([]sliceStats, slices)
	for k := range padded {
		padded[k].padded = 1
	}
	v := made(func(x, y, z int) float64 { return smooth(float64(x+3*(z%2)), float64(y), float64(z)) })
	assert.False(t, alternatingVoxels(v, padded), "nothing to compare")
}
