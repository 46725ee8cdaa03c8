package registration

import (
	"bufio"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	_ "plumbline/internal/seeded" // of rapid
)

func vec(x, y, z float64) geom.Vec { return geom.Vec{X: x, Y: y, Z: z} }

func fit(t require.TestingT, pairs []Pair) Fit {
	f, err := FromLandmarks(pairs)
	require.NoError(t, err)
	return f
}

func assertMatrix(t require.TestingT, want, got geom.Rigid, tolerance float64) {
	a, b := want.Matrix(), got.Matrix()
	for i := range a {
		require.InDelta(t, a[i], b[i], tolerance, "entry %d of\n%v, want\n%v", i, b, a)
	}
}

func codes(flags []measurement.Flag) []string {
	var out []string
	for _, f := range flags {
		out = append(out, f.Code)
	}
	return out
}

// Source: scipy's Rotation.align_vectors on the same weighted pairs, frozen in
// testdata with the script that made it.
func TestAgainstScipy(t *testing.T) {
	f, err := os.Open("testdata/landmarks_scipy.csv")
	require.NoError(t, err)
	defer f.Close()
	var pairs []Pair
	sets, mirrored := 0, 0
	for lines := bufio.NewScanner(f); lines.Scan(); {
		if strings.HasPrefix(lines.Text(), "#") {
			continue
		}
		cells := strings.Split(lines.Text(), ",")
		x := make([]float64, 0, len(cells))
		for _, c := range cells[2:] {
			v, err := strconv.ParseFloat(c, 64)
			require.NoError(t, err)
			x = append(x, v)
		}
		if cells[0] == "pair" {
			pairs = append(pairs, Pair{Weight: x[0], Pre: vec(x[1], x[2], x[3]), Post: vec(x[4], x[5], x[6])})
			continue
		}
		want := geom.Rigid{R: [3][3]float64{{x[0], x[1], x[2]}, {x[3], x[4], x[5]}, {x[6], x[7], x[8]}}, T: vec(x[9], x[10], x[11])}
		got := fit(t, pairs)
		assertMatrix(t, want, got.PostToPre, 1e-9)
		weight := 0.0
		for _, p := range pairs {
			weight += p.Weight
		}
		assert.InDelta(t, x[12], got.FRE*math.Sqrt(weight), 1e-5, "scipy takes the root of a difference")
		if solve(pairs).mirrored < solve(pairs).squares {
			mirrored++
		}
		sets++
		pairs = nil
	}
	assert.Equal(t, 24, sets)
	assert.GreaterOrEqual(t, mirrored, 3, "sets that need the determinant forced")
}

// Source: a paired-point example solved by singular value decomposition and by
// Horn's quaternion, which agree to 4e-16.
func TestPairedPointExample(t *testing.T) {
	p := []geom.Vec{vec(0, 0, 0), vec(40, 0, 0), vec(0, 50, 0), vec(0, 0, 30)}
	q := []geom.Vec{vec(2.1, -3, 1.5), vec(41.292, 4.046, 1.5), vec(-6.649, 45.953, 5.958), vec(2.454, -5.575, 31.286)}
	var pairs []Pair
	for i := range p {
		pairs = append(pairs, Pair{Pre: q[i], Post: p[i]})
	}
	f := fit(t, pairs)
	assertMatrix(t, geom.Rigid{
		R: [3][3]float64{
			{.984530500, -.174584458, .014831131},
			{.175211296, .980582558, -.088084328},
			{.000835007, .089320289, .996002605},
		},
		T: vec(2.025017254, -2.992762475, 1.466126784),
	}, f.PostToPre, 1e-8)
	assert.InDelta(t, 11.316605, geom.Degrees(f.PostToPre.Angle()), 1e-6)
	assert.InDelta(t, .098706209, f.FRE, 1e-8)
	for i, want := range []float64{.082597, .118191, .103277, .086685} {
		assert.InDelta(t, want, f.Residuals[i], 1e-6)
	}
	got := f.PostToPre.Apply(vec(20, 10, -5))
	assert.InDelta(t, 19.895627, got.X, 1e-6)
	assert.InDelta(t, 10.757711, got.Y, 1e-6)
	assert.InDelta(t, -2.603983, got.Z, 1e-6)
	assert.Empty(t, f.Flags)
}

// Source: Umeyama S, IEEE TPAMI 1991;13(4):376-380, the planar example whose
// best orthogonal matrix is a reflection, here with scale 1, ten times larger
// and drawn at two heights, which keeps the answer a turn in that plane.
func TestReflectionIsRefused(t *testing.T) {
	from := [][2]float64{{0, 0}, {10, 0}, {0, 20}}
	to := [][2]float64{{0, 0}, {-10, 0}, {0, 20}}
	var pairs []Pair
	for i := range from {
		for _, h := range []float64{-100, 100} {
			pairs = append(pairs, Pair{Post: vec(from[i][0], from[i][1], h), Pre: vec(to[i][0], to[i][1], h)})
		}
	}
	f := fit(t, pairs)
	cos, sin := 3/math.Sqrt(13), 2/math.Sqrt(13)
	assertMatrix(t, geom.Rigid{
		R: [3][3]float64{{cos, sin, 0}, {-sin, cos, 0}, {0, 0, 1}},
		T: vec(-9.8048356, 2.9686654, 0),
	}, f.PostToPre, 1e-7)
	assert.InDelta(t, 61.975499, f.FRE*f.FRE, 1e-6)
	require.Contains(t, codes(f.Flags), "landmarks-disagree")
	for _, flag := range f.Flags {
		if flag.Code == "landmarks-disagree" {
			assert.Contains(t, flag.Message, "mirror images")
			assert.Equal(t, measurement.Doubt, flag.Level)
		}
	}
}

// fitzpatrick is the published formula itself, by principal axes: the oracle
// for the covariance. fle2 is the expected squared 3-D error of a landmark.
func fitzpatrick(points []geom.Vec, target geom.Vec, fle2 float64) float64 {
	n := float64(len(points))
	centre := vec(0, 0, 0)
	for _, p := range points {
		centre = r3.Add(centre, r3.Scale(1/n, p))
	}
	scatter := mat.NewSymDense(3, nil)
	for _, p := range points {
		d := r3.Sub(p, centre)
		scatter.SymRankOne(scatter, 1, mat.NewVecDense(3, []float64{d.X, d.Y, d.Z}))
	}
	var eigen mat.EigenSym
	eigen.Factorize(scatter, true)
	var axes mat.Dense
	eigen.VectorsTo(&axes)
	fromAxis2 := func(p geom.Vec, k int) float64 {
		axis := vec(axes.At(0, k), axes.At(1, k), axes.At(2, k))
		return r3.Norm2(r3.Cross(r3.Sub(p, centre), axis))
	}
	sum := 0.0
	for k := range 3 {
		f2 := 0.0
		for _, p := range points {
			f2 += fromAxis2(p, k) / n
		}
		sum += fromAxis2(target, k) / f2
	}
	return fle2 / n * (1 + sum/3)
}

var (
	fiducials = []geom.Vec{vec(-20, 0, 0), vec(20, 0, 0), vec(0, 30, 0), vec(0, 0, 15), vec(10, -25, 5)}
	target    = vec(5, 10, -40)
)

func exact(points []geom.Vec) []Pair {
	var pairs []Pair
	for _, p := range points {
		pairs = append(pairs, Pair{Pre: p, Post: p})
	}
	return pairs
}

func expectedTRE(points []geom.Vec, at geom.Vec, sigma float64) float64 {
	pairs := withWeights(exact(points))
	cov := mat.NewSymDense(6, nil)
	s := solve(pairs)
	cov.ScaleSym(sigma*sigma, s.unitCovariance(pairs))
	return Result{Centre: s.centre, Cov: cov}.ExpectedTRE(at)
}

// Source: Fitzpatrick, West and Maurer 1998, worked for two sets of fiducials.
func TestExpectedTRE(t *testing.T) {
	const sigma = 0.2
	assert.InDelta(t, .151415, fitzpatrick(fiducials, target, 3*sigma*sigma), 1e-6)
	got := expectedTRE(fiducials, target, sigma)
	assert.InDelta(t, .151415, got*got, 1e-5)
	assert.InDelta(t, .38912, got, 1e-5)

	tetrahedron := []geom.Vec{vec(10, 10, 10), vec(10, -10, -10), vec(-10, 10, -10), vec(-10, -10, 10)}
	assert.InDelta(t, .346410, expectedTRE(tetrahedron, vec(30, 0, 0), sigma), 1e-6)
	assert.InDelta(t, .173205, expectedTRE(tetrahedron, vec(0, 0, 0), sigma), 1e-6)

	rapid.Check(t, func(t *rapid.T) {
		pairs := drawPairs(t, 0)
		var points []geom.Vec
		for _, p := range pairs {
			points = append(points, p.Pre)
		}
		at := drawVec(t, "target", 60)
		want := math.Sqrt(fitzpatrick(points, at, 3*sigma*sigma))
		assert.InEpsilon(t, want, expectedTRE(points, at, sigma), 1e-9)
	})
}

// Source: the same formulas' expectations, and simulation, 3 %.
func TestSimulatedErrors(t *testing.T) {
	const sigma, runs = 0.2, 40000
	rng := rand.New(rand.NewPCG(1998, 17))
	tre2, fre2 := 0.0, 0.0
	for range runs {
		pairs := exact(fiducials)
		for i := range pairs {
			pairs[i].Pre = r3.Add(pairs[i].Pre, vec(sigma*rng.NormFloat64(), sigma*rng.NormFloat64(), sigma*rng.NormFloat64()))
		}
		s := solve(withWeights(pairs))
		tre2 += r3.Norm2(r3.Sub(s.postToPre.Apply(target), target)) / runs
		fre2 += s.squares / s.weight / runs
	}
	assert.InEpsilon(t, .151415, tre2, 0.03)
	assert.InEpsilon(t, .0720, fre2, 0.03, "(1 - 2/N) FLE²")
}

// The covariance is estimated from few residuals; with Student's variance its
// 95 % intervals still cover about 95 %. Expected coverage is that of
// |t| < 1.96 √(ν/(ν−2)): 95.7 % for three pairs, 94.7 % for four. The control
// without that factor must fall short for three pairs.
func TestCoverageWithFewPairs(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make thorough")
	}
	const sigma, runs = 0.3, 6000
	for _, n := range []int{3, 4, 5} {
		rng := rand.New(rand.NewPCG(6, uint64(n)))
		hits, plain := 0, 0
		for range runs {
			pairs := exact(fiducials[:n])
			for i := range pairs {
				pairs[i].Pre = r3.Add(pairs[i].Pre, vec(sigma*rng.NormFloat64(), sigma*rng.NormFloat64(), sigma*rng.NormFloat64()))
			}
			f := fit(t, pairs)
			u := math.Sqrt(f.PointCovariance(target).At(0, 0))
			miss := math.Abs(f.PostToPre.Apply(target).X - target.X)
			nu := float64(degreesOfFreedom(n))
			if miss < 1.96*u {
				hits++
			}
			if miss < 1.96*u/math.Sqrt(nu/(nu-2)) {
				plain++
			}
		}
		coverage := float64(hits) / runs
		// Four standard errors of a share of 0.95 in 6000 runs are 0.011.
		assert.InDelta(t, 0.95, coverage, 0.02, "%d pairs", n)
		if n == 3 {
			assert.Less(t, float64(plain)/runs, 0.90)
		}
	}
}

func drawVec(t *rapid.T, name string, size float64) geom.Vec {
	number := rapid.Float64Range(-size, size)
	return vec(number.Draw(t, name+".x"), number.Draw(t, name+".y"), number.Draw(t, name+".z"))
}

func drawRigid(t *rapid.T, name string) geom.Rigid {
	m := geom.Rotation(drawVec(t, name+" turn", 1.7))
	m.T = drawVec(t, name+" shift", 100)
	return m
}

// drawPairs draws landmarks of a jaw's size that fix a transform either way, each
// off by up to noise mm. Collinear and coincident ones are refused, see
// TestRefused.
func drawPairs(t *rapid.T, noise float64) []Pair {
	return rapid.Custom(func(t *rapid.T) []Pair {
		n := rapid.IntRange(3, 8).Draw(t, "n")
		truth := drawRigid(t, "truth")
		var pairs []Pair
		for range n {
			post := drawVec(t, "post", 40)
			pre := truth.Apply(post)
			if noise > 0 {
				pre = r3.Add(pre, drawVec(t, "noise", noise))
			}
			pairs = append(pairs, Pair{Pre: pre, Post: post, Weight: 1})
		}
		return pairs
	}).Filter(func(pairs []Pair) bool {
		return usable(pairs) == nil && usable(swapped(pairs)) == nil
	}).Draw(t, "pairs")
}

func swapped(pairs []Pair) []Pair {
	var back []Pair
	for _, p := range pairs {
		back = append(back, Pair{Pre: p.Post, Post: p.Pre, Weight: p.Weight})
	}
	return back
}

func TestExactPairsGiveTheTransformBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pairs := drawPairs(t, 0)
		f := fit(t, pairs)
		assert.Less(t, f.FRE, 1e-9)
		for _, p := range pairs {
			assert.Less(t, r3.Norm(r3.Sub(p.Pre, f.PostToPre.Apply(p.Post))), 1e-9)
		}
	})
}

func TestOrderDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pairs := drawPairs(t, 1)
		other := rapid.Permutation(pairs).Draw(t, "order")
		assertMatrix(t, fit(t, pairs).PostToPre, fit(t, other).PostToPre, 1e-9)
		assert.InDelta(t, fit(t, pairs).FRE, fit(t, other).FRE, 1e-9)
	})
}

func TestSwappedScansGiveTheInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pairs := drawPairs(t, 1)
		assertMatrix(t, fit(t, pairs).PostToPre.Inverse(), fit(t, swapped(pairs)).PostToPre, 1e-8)
	})
}

// Moving either scan moves the answer along and leaves errors as they are.
func TestMotionOfAScanCarriesOver(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pairs := drawPairs(t, 1)
		movePre, movePost := drawRigid(t, "pre"), drawRigid(t, "post")
		var moved []Pair
		for _, p := range pairs {
			moved = append(moved, Pair{Pre: movePre.Apply(p.Pre), Post: movePost.Apply(p.Post), Weight: p.Weight})
		}
		a, b := fit(t, pairs), fit(t, moved)
		assertMatrix(t, movePre.After(a.PostToPre).After(movePost.Inverse()), b.PostToPre, 1e-8)
		at := drawVec(t, "target", 50)
		assert.InDelta(t, a.ExpectedTRE(at), b.ExpectedTRE(movePre.Apply(at)), 1e-8)
	})
}

// A pair of weight 3 counts like three pairs at one place would.
func TestWeightsCount(t *testing.T) {
	pairs := exact(fiducials)
	rng := rand.New(rand.NewPCG(3, 3))
	for i := range pairs {
		pairs[i].Pre = r3.Add(pairs[i].Pre, vec(rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()))
	}
	tripled := append(append([]Pair(nil), pairs...), pairs[1], pairs[1])
	pairs[1].Weight = 3
	a, b := solve(withWeights(pairs)), solve(withWeights(tripled))
	assertMatrix(t, b.postToPre, a.postToPre, 1e-12)
	assert.InDelta(t, b.squares, a.squares, 1e-12)
	assert.True(t, mat.EqualApprox(a.unitCovariance(withWeights(pairs)), b.unitCovariance(withWeights(tripled)), 1e-12))
}

func TestRefused(t *testing.T) {
	good := exact(fiducials)
	alter := func(f func(p []Pair)) []Pair {
		p := append([]Pair(nil), good...)
		f(p)
		return p
	}
	for _, c := range []struct {
		name  string
		pairs []Pair
		say   string
	}{
		{"none", nil, "there are 0 pairs"},
		{"two", good[:2], "there are 2 pairs; give three or more"},
		{"on a line", exact([]geom.Vec{vec(0, 0, 0), vec(10, 10, 10), vec(30, 30, 30), vec(50, 50, 50)}), "planning scan lie almost on a line (0.0 mm"},
		{"almost on a line", exact([]geom.Vec{vec(0, 0, 0), vec(25, 5, 0), vec(50, 0, 0)}), "planning scan lie almost on a line (2.4 mm beside it, root mean square; 3 mm needed)"},
		{"follow-up on a line", alter(func(p []Pair) {
			for i := range p {
				p[i].Post = vec(10*float64(i), 0, 0)
			}
		}), "follow-up scan lie almost on a line"},
		{"twice", alter(func(p []Pair) { p[3] = p[1] }), "pairs 2 and 4 lie within 1 mm of each other in the planning scan"},
		{"twice in one scan", alter(func(p []Pair) { p[4].Post = r3.Add(p[0].Post, vec(0.5, 0, 0)) }), "pairs 1 and 5 lie within 1 mm of each other in the follow-up scan"},
		{"not a number", alter(func(p []Pair) { p[2].Post.Y = math.NaN() }), "pair 3 has a coordinate or weight"},
		{"infinite", alter(func(p []Pair) { p[2].Pre.Y = math.Inf(1) }), "pair 3 has a coordinate or weight"},
		{"negative weight", alter(func(p []Pair) { p[1].Weight = -1 }), "pair 2 has a coordinate or weight"},
		{"weight not a number", alter(func(p []Pair) { p[1].Weight = math.NaN() }), "pair 2 has a coordinate or weight"},
	} {
		f, err := FromLandmarks(c.pairs)
		require.ErrorIs(t, err, ErrLandmarks, c.name)
		assert.Contains(t, err.Error(), c.say, c.name)
		assert.Zero(t, f, c.name)
	}
}

// noisy puts the fiducials 20° and some centimetres away, off by sigma per axis.
func noisy(sigma float64, seed uint64) []Pair {
	move := geom.Rotation(vec(0.2, -0.1, 0.3))
	move.T = vec(15, -20, 30)
	rng := rand.New(rand.NewPCG(seed, 1))
	pairs := exact(append([]geom.Vec{vec(-15, 20, 20)}, fiducials...))
	for i := range pairs {
		pairs[i].Pre = r3.Add(move.Apply(pairs[i].Pre), vec(sigma*rng.NormFloat64(), sigma*rng.NormFloat64(), sigma*rng.NormFloat64()))
	}
	return pairs
}

func TestMistypedPairIsNamed(t *testing.T) {
	for i := range 6 {
		pairs := noisy(0.2, uint64(i))
		pairs[i].Post.Y += 10 // one digit mistyped
		f := fit(t, pairs)
		require.Contains(t, codes(f.Flags), "landmark-out-of-line", "pair %d", i+1)
		assert.Contains(t, f.Flags[0].Message, "landmark pair "+strconv.Itoa(i+1)+" lies")
		assert.Equal(t, measurement.Doubt, f.Flags[0].Level)
	}
	// The others may agree perfectly, as in invented data.
	pairs := noisy(0, 0)
	pairs[2].Post.X -= 5
	assert.Contains(t, codes(fit(t, pairs).Flags), "landmark-out-of-line")
}

func TestExchangedPairsAreNamed(t *testing.T) {
	pairs := noisy(0.2, 9)
	pairs[1].Post, pairs[4].Post = pairs[4].Post, pairs[1].Post
	f := fit(t, pairs)
	require.Contains(t, codes(f.Flags), "landmarks-disagree")
	for _, flag := range f.Flags {
		if flag.Code == "landmarks-disagree" {
			assert.Contains(t, flag.Message, "pairs 2 and 5 seem to be exchanged")
		}
	}
	// Three pairs are enough to see it when their distances differ.
	three := []Pair{pairs[0], pairs[2], pairs[3]}
	three[0].Post, three[1].Post = three[1].Post, three[0].Post
	f = fit(t, three)
	require.Contains(t, codes(f.Flags), "landmarks-disagree")
	assert.Contains(t, f.Flags[0].Message, "pairs 1 and 2 seem to be exchanged")
}

// An even-sided triangle with left and right exchanged fits without residual,
// turned half round.
func TestExchangedSidesAreSeenByTheTurn(t *testing.T) {
	left, right, front := vec(30, 0, 0), vec(-30, 0, 0), vec(0, -40, 5)
	f := fit(t, []Pair{{Pre: left, Post: right}, {Pre: right, Post: left}, {Pre: front, Post: front}})
	assert.Less(t, f.FRE, 1e-9)
	assert.Equal(t, []string{"landmarks-large-turn"}, codes(f.Flags))
	assert.Contains(t, f.Flags[0].Message, "180°")
}

// The out-of-line test is set to call one clean set in a hundred; picks that
// are off by 0.4 mm per axis make the distances large enough to be called.
func TestCleanPairsAreLeftAlone(t *testing.T) {
	const runs = 2000
	flagged := 0
	for seed := range uint64(runs) {
		if len(fit(t, noisy(0.4, 1000+seed)).Flags) > 0 {
			flagged++
		}
	}
	// Bonferroni's bound is 1 %; four standard errors in 2000 runs are 0.9 %.
	assert.Less(t, float64(flagged)/runs, 0.019)
}

func TestQualityIsFinite(t *testing.T) {
	for _, pairs := range [][]Pair{exact(fiducials), exact(fiducials[:3]), noisy(3, 1)} {
		f := fit(t, pairs)
		for name, v := range f.Quality {
			assert.False(t, math.IsNaN(v) || math.IsInf(v, 0), name)
		}
		for _, v := range f.Cov.RawSymmetric().Data {
			assert.False(t, math.IsNaN(v) || math.IsInf(v, 0))
		}
	}
}
