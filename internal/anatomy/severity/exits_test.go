package severity

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"plumbline/internal/measurement"
)

// around has the bone at depths 1, 3 and 5 mm in four directions, NaN-free, as sure as
// 0.1 mm.
func around(bone [3][4]float64) *measurement.Around {
	out := &measurement.Around{}
	for i, depth := range []float64{1, 3, 5} {
		for k, direction := range []string{"buccal", "mesial", "lingual", "distal"} {
			v := bone[i][k]
			out.Wall = append(out.Wall, measurement.Wall{Depth: depth, Direction: direction, Resolved: true, Bone: &v, Low: new(v - 0.1), High: new(v + 0.1)})
		}
	}
	return out
}

func exitTexts(planned, achieved [3][4]float64) (out []string) {
	for _, p := range Exits(measurement.Fixture{Surroundings: &measurement.Surroundings{Planned: around(planned), Achieved: around(achieved)}}) {
		out = append(out, p.Text)
	}
	return out
}

// The words follow the definitions of dehiscence and fenestration.
func TestExits(t *testing.T) {
	whole := [3][4]float64{{1, 2, 1, 2}, {1, 2, 1, 2}, {1, 2, 1, 2}}
	assert.Empty(t, exitTexts(whole, whole))
	assert.Equal(t, []string{"the fixture leaves the bone to buccal by 0.80 mm, from 1.0 to 3.0 mm below the platform: dehiscence (by the transfer)"},
		exitTexts(whole, [3][4]float64{{-0.8, 2, 1, 2}, {-0.3, 2, 1, 2}, {0.5, 2, 1, 2}}))
	assert.Equal(t, []string{"the fixture leaves the bone to lingual by 0.50 mm, 5.0 mm below the platform: fenestration (by the plan)"},
		exitTexts([3][4]float64{{1, 2, 1, 2}, {1, 2, 1, 2}, {1, 2, -0.4, 2}}, [3][4]float64{{1, 2, 1, 2}, {1, 2, 1, 2}, {1, 2, -0.5, 2}}))
	assert.Empty(t, exitTexts(whole, [3][4]float64{{-0.05, 2, 1, 2}, {1, 2, 1, 2}, {1, 2, 1, 2}}), "not surely outside")
	assert.Empty(t, exitTexts(whole, [3][4]float64{{-1, -1, -1, -1}, {1, 2, 1, 2}, {1, 2, 1, 2}}), "the platform stands above the crest")
	assert.Equal(t, []string{"the fixture leaves the bone to buccal by 0.90 mm, 3.0 mm below the platform: dehiscence (by the transfer)"},
		exitTexts(whole, [3][4]float64{{-1, -1, -1, -1}, {-0.9, 0.5, 1, -0.4}, {1, 2, 1, 2}}), "neighbouring directions are one")
	assert.Len(t, exitTexts(whole, [3][4]float64{{-1, 1, -1, 1}, {1, 2, 1, 2}, {1, 2, 1, 2}}), 2, "opposite ones are two")
}

// An apex beyond the bone, and one that a cavity ends.
func TestApexOutside(t *testing.T) {
	f := measurement.Fixture{Surroundings: &measurement.Surroundings{Planned: around([3][4]float64{}), Achieved: around([3][4]float64{{1, 1, 1, 1}, {1, 1, 1, 1}, {1, 1, 1, 1}})}}
	f.Surroundings.Achieved.ApicalMM = new(-0.4)
	f.Surroundings.Achieved.Apical = &measurement.Apical{Low: new(-0.5), High: new(-0.3)}
	points := Exits(f)
	assert.Len(t, points, 1)
	assert.Equal(t, "the fixture has its apex outside the bone by 0.40 mm (by the transfer)", points[0].Text)
	f.Surroundings.Achieved.Apical.First = &measurement.Obstacle{What: "sinus"}
	assert.Empty(t, Exits(f))
	assert.Empty(t, Exits(measurement.Fixture{}))
}

// By hand: the place with the least bone, behind it a bound, before it a wall without any.
func TestFarthestOutside(t *testing.T) {
	f := measurement.Fixture{Surroundings: &measurement.Surroundings{Achieved: around([3][4]float64{{1, 2, -0.4, 2}, {1, 2, -0.9, 2}, {1, 2, 1, 2}})}}
	walls := f.Surroundings.Achieved.Wall
	assert.Equal(t, &walls[6], Farthest(f))
	walls[2].Bone, walls[2].High = nil, new(-1.1)
	assert.Equal(t, &walls[2], Farthest(f))
	f.Surroundings.Achieved.ApicalMM = new(-1.4)
	f.Surroundings.Achieved.Apical = &measurement.Apical{Low: new(-1.5), High: new(-1.3)}
	f.Planned.Length = 8
	assert.Equal(t, &measurement.Wall{Depth: 8, Bone: new(-1.4), Low: new(-1.5), High: new(-1.3)}, Farthest(f))
	walls[2].High, walls[2].Why = nil, "not-in-bone"
	assert.Equal(t, &walls[2], Farthest(f))
	f.Surroundings.Achieved = around([3][4]float64{{1, 2, 1, 2}, {1, 2, 1, 2}, {1, 2, 1, 2}})
	assert.Nil(t, Farthest(f))
	assert.Nil(t, Farthest(measurement.Fixture{}))
}
