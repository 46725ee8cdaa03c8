//go:build accuracy

package conebeam

import (
	"fmt"
	"os"
	"slices"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/deviation"
	"plumbline/internal/deviation/uncertainty"
	"plumbline/internal/dicom/scan"
	"plumbline/internal/measurement"
	"plumbline/internal/phantom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/tooth"
	"plumbline/internal/volume"
)

// drifts are the classes: the standard deviation of the head's place along each axis during
// both scans, mm; it turns by turnPerDrift degrees a mm.
var drifts = []float64{0, 0.1, 0.2, 0.3, 0.5, 0.8}

const turnPerDrift = 0.75

// movedTally gathers one class.
type movedTally struct {
	pairs, refused, missing, told, doubted int
	entry, apex                            []float64
	of, held                               map[measurement.Figure]int
}

// add measures one pair from its scans alone.
func (m *movedTally) add(t *testing.T, p *phantom.Pair) {
	if m.of == nil {
		m.of, m.held = map[measurement.Figure]int{}, map[measurement.Figure]int{}
	}
	m.pairs++
	read := func(v *volume.Volume) *scan.Scan {
		return &scan.Scan{Volume: *v, Ceiling: v.SaturationLevel(v.Extremes())}
	}
	plan := &casefile.Case{Alignment: casefile.Alignment{Method: casefile.FromScans}}
	for _, f := range p.Truth.Fixtures {
		site, err := tooth.Parse(f.Site, tooth.ISO3950)
		require.NoError(t, err)
		plan.Fixtures = append(plan.Fixtures, casefile.Fixture{Site: site, Planned: f.Planned, Diameter: f.Diameter, Length: f.Length, PlacedDiameter: f.Diameter, PlacedLength: f.Length})
	}
	s := &Scan{Plan: plan, pre: read(p.Pre), post: read(p.Post)}
	r, err := s.Register(func(float64) {})
	if err != nil {
		m.refused++
		return
	}
	for i, f := range s.Observe(*r).Fixtures {
		doubts := func(list []measurement.Flag) bool {
			return slices.ContainsFunc(list, func(f measurement.Flag) bool { return f.Level == measurement.Doubt })
		}
		if doubts(r.Flags) || doubts(f.Flags) {
			m.doubted++
		}
		if slices.ContainsFunc(slices.Concat(r.Flags, f.Flags), func(f measurement.Flag) bool {
			return f.Code == measurement.CodeHeadMoved || f.Code == measurement.CodeMotionArtefact
		}) {
			m.told++
		}
		if f.Pose == nil {
			m.missing++
			continue
		}
		truth := p.Truth.Fixtures[i]
		achieved := p.Truth.PostToPre.ApplyPose(truth.AchievedPost)
		m.entry = append(m.entry, r3.Norm(r3.Sub(f.Pose.Entry, achieved.Entry)))
		m.apex = append(m.apex, r3.Norm(r3.Sub(f.Pose.Apex, achieved.Apex)))
		d := deviation.Directions{Mesial: truth.Mesial, Buccal: truth.Buccal}
		want, err := deviation.Of(truth.Planned, achieved, &d)
		require.NoError(t, err)
		u, err := uncertainty.Propagate(truth.Planned, *f.Pose, f.Budget, &d, 1)
		require.NoError(t, err)
		for figure, i := range u.Intervals.All() {
			m.of[figure]++
			if x := *want[figure]; i.Low <= x && x <= i.High {
				m.held[figure]++
			}
		}
	}
}

// covered is the share of intervals that held the truth, and of the figure whose hold
// least.
func (m *movedTally) covered() (all, least float64) {
	held, of := 0, 0
	least = 1
	for figure, n := range m.of {
		held += m.held[figure]
		of += n
		least = min(least, float64(m.held[figure])/float64(n))
	}
	return float64(held) / float64(of), least
}

func (m *movedTally) String() string {
	quantile := func(x []float64, p float64) float64 {
		s := slices.Sorted(slices.Values(x))
		return s[min(len(s)-1, int(p*float64(len(s))))]
	}
	if len(m.entry) == 0 {
		return fmt.Sprintf("%3d refused %d", m.pairs, m.refused)
	}
	all, least := m.covered()
	return fmt.Sprintf("%3d refused %d missing %d | motion told %d, any doubt %d | entry %.3f %.3f apex %.3f %.3f | held %.1f %%, least figure %.1f %%",
		m.pairs, m.refused, m.missing, m.told, m.doubted, quantile(m.entry, 0.5), quantile(m.entry, 0.95), quantile(m.apex, 0.5), quantile(m.apex, 0.95), 100*all, 100*least)
}

// movedPair is a usual case whose head drifts during both scans.
func movedPair(seed uint64, drift float64) (*phantom.Pair, error) {
	s, err := phantom.Random(seed, phantom.Everyday)
	if err != nil {
		return nil, err
	}
	for _, c := range []*phantom.Scan{&s.Pre, &s.Post} {
		c.Clip12, c.Drift, c.DriftTurn = false, drift, turnPerDrift*drift
	}
	return phantom.Render(s)
}

// TestMotionAccuracy prints one table over drifts: how many heads that move are told, and
// how often the 95 % intervals of the 13 deviations hold. DRIFT chooses one class, PER_CLASS
// how many pairs of each, FIRST the first seed. A pair takes a minute to make.
func TestMotionAccuracy(t *testing.T) {
	count, first := 60, 3000
	if v, err := strconv.Atoi(os.Getenv("PER_CLASS")); err == nil {
		count = v
	}
	if v, err := strconv.Atoi(os.Getenv("FIRST")); err == nil {
		first = v
	}
	for _, drift := range drifts {
		if only := os.Getenv("DRIFT"); only != "" && only != fmt.Sprint(drift) {
			continue
		}
		var m movedTally
		for i := range count {
			p, err := movedPair(uint64(first+i), drift)
			require.NoError(t, err)
			m.add(t, p)
		}
		fmt.Printf("drift %.1f mm: %v\n", drift, &m)
		if count < 60 {
			continue
		}
		all, _ := m.covered()
		assert.InDelta(t, 0.95, all, 0.03, "drift %g", drift)
		switch {
		case drift == 0:
			assert.LessOrEqual(t, m.told, count/20)
		case drift >= 0.5:
			assert.GreaterOrEqual(t, m.told+m.refused, count*4/5)
		}
	}
}
