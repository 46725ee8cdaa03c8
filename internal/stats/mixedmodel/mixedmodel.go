// Package mixedmodel fits a linear model whose observations are alike within clusters,
// and clusters alike within groups, each observation with a known measurement variance
// besides: y = Xβ + group + cluster + error + measurement.
//
// Conventions: group and cluster effects and the error are normal with mean zero and
// variances that are estimated; variances are in the unit of y squared. A level of one
// member has no variance of its own and is left out of the model. Start with Estimate.
//
// Limits: random intercepts only; a cluster belongs to one group.
package mixedmodel

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// Observation is one value with its row of the design matrix.
type Observation struct {
	Y       float64
	U       float64   // standard uncertainty of its measurement, known, ≥ 0
	X       []float64 // fixed effects, of one length for all observations
	Cluster int       // clusters of different groups have different numbers
	Group   int
}

// Variances are the components of an observation's variance beyond its measurement.
type Variances struct {
	Error   float64 `json:"error"`   // within a cluster
	Cluster float64 `json:"cluster"` // between the clusters of a group
	Group   float64 `json:"group"`   // between groups
}

// Effect is how far a cluster or group lies from the fixed effects, shrunken towards
// zero by what is known of it (best linear unbiased predictor), and its standard error.
type Effect struct {
	Number int // of the group
	Value  float64
	SE     float64
}

// Model is a fitted model.
type Model struct {
	Observations int
	Beta         []float64     // fixed effects
	Covariance   *mat.SymDense // of Beta, the variances taken as known
	Variances
	// LogLikelihood is the restricted log-likelihood −½[(n−p) ln 2π + ln|V| +
	// ln|XᵀV⁻¹X| + rᵀV⁻¹r].
	LogLikelihood float64
	Groups        []Effect // in the order of their first observations; empty for one group
}

var (
	// ErrTooFew means that there are not more observations than fixed effects.
	ErrTooFew = errors.New("not more observations than fixed effects")
	// ErrNoSpread means that the fixed effects explain the observations exactly.
	ErrNoSpread = errors.New("the observations do not spread about the fixed effects")
	// ErrCollinear means that a fixed effect is a combination of others.
	ErrCollinear = errors.New("a fixed effect is a combination of the others")
)

// Estimate fits the model by restricted maximum likelihood.
//
// Errors: ErrTooFew, ErrNoSpread, ErrCollinear; a value that is not finite.
//
// Method: Patterson and Thompson, Biometrika 58:545, 1971. β and its covariance are those
// of generalised least squares at the variances, which maximise the likelihood profiled
// over β; the standard deviations are its arguments, so that a variance of zero is no
// edge. V is inverted cluster by cluster (Sherman and Morrison, Ann Math Stat 21:124,
// 1950). Group effects: Henderson, Biometrics 31:423, 1975, β taken as known.
func Estimate(y []Observation) (Model, error) {
	s, err := newSystem(y)
	if err != nil {
		return Model{}, err
	}
	sd := s.maximise()
	v := s.variances(sd)
	f, ok := s.fit(v)
	if !ok {
		return Model{}, ErrCollinear
	}
	m := Model{Observations: len(y), Beta: f.beta, Covariance: f.covariance, Variances: v, LogLikelihood: f.logLikelihood}
	if s.groups > 1 {
		m.Groups = s.groupEffects(v, f.beta)
	}
	return m, nil
}

// system is the data in the order of groups and clusters.
type system struct {
	p       int
	y       []Observation
	ends    []clusterEnd
	scale   float64 // standard deviation about the fixed effects by least squares
	groups  int
	several bool // a cluster has several observations, or measurement variances differ
	numbers []int
}

// clusterEnd is where a cluster ends, and whether its group does.
type clusterEnd struct {
	at    int
	group bool
}

func newSystem(y []Observation) (*system, error) {
	if len(y) == 0 {
		return nil, ErrTooFew
	}
	s := &system{p: len(y[0].X), y: slices.Clone(y)}
	if len(y) <= s.p {
		return nil, fmt.Errorf("%w: %d and %d", ErrTooFew, len(y), s.p)
	}
	order, seen := map[int]int{}, map[int]int{}
	for i, o := range y {
		if len(o.X) != s.p {
			return nil, fmt.Errorf("observation %d has %d fixed effects, the first has %d", i+1, len(o.X), s.p)
		}
		if !(o.U >= 0) || math.IsInf(o.U, 0) || math.IsNaN(o.Y) || math.IsInf(o.Y, 0) {
			return nil, fmt.Errorf("observation %d is %v with an uncertainty of %v", i+1, o.Y, o.U)
		}
		if _, is := order[o.Group]; !is {
			order[o.Group] = len(order)
			s.numbers = append(s.numbers, o.Group)
		}
		if g, is := seen[o.Cluster]; is && g != o.Group {
			return nil, fmt.Errorf("cluster %d is in the groups %d and %d", o.Cluster, g, o.Group)
		}
		seen[o.Cluster] = o.Group
	}
	s.groups = len(order)
	rank := map[int]int{}
	for _, o := range y {
		if _, is := rank[o.Cluster]; !is {
			rank[o.Cluster] = len(rank)
		}
	}
	slices.SortStableFunc(s.y, func(a, b Observation) int {
		if d := order[a.Group] - order[b.Group]; d != 0 {
			return d
		}
		return rank[a.Cluster] - rank[b.Cluster]
	})
	for i, o := range s.y {
		last := i == len(s.y)-1
		if last || s.y[i+1].Cluster != o.Cluster {
			s.ends = append(s.ends, clusterEnd{i + 1, last || s.y[i+1].Group != o.Group})
		}
	}
	s.several = len(s.ends) < len(s.y)
	plain, ok := s.fit(Variances{Error: 1})
	if !ok {
		return nil, ErrCollinear
	}
	ss, total := plain.residual, 0.0
	for _, o := range s.y {
		total += o.Y * o.Y
	}
	// The residual of exact figures is rounding.
	if ss <= 1e-20*total {
		return nil, ErrNoSpread
	}
	s.scale = math.Sqrt(ss / float64(len(s.y)-s.p))
	return s, nil
}

// variances are those of standard deviations in units of the scale, in the order error,
// cluster, group; a level that the data cannot tell from another is left out.
func (s *system) variances(sd []float64) Variances {
	var v Variances
	square := func(x float64) float64 { return x * x * s.scale * s.scale }
	v.Error = square(sd[0])
	next := 1
	if s.several {
		v.Cluster = square(sd[next])
		next++
	}
	if s.groups > 1 {
		v.Group = square(sd[next])
	}
	return v
}

// maximise finds the standard deviations with the largest likelihood.
func (s *system) maximise() []float64 {
	n := 1
	if s.several {
		n++
	}
	if s.groups > 1 {
		n++
	}
	start := make([]float64, n)
	for i := range start {
		start[i] = math.Sqrt(1 / float64(n))
	}
	value := func(sd []float64) float64 {
		f, ok := s.fit(s.variances(sd))
		if !ok {
			return math.Inf(1)
		}
		return -f.logLikelihood
	}
	return minimise(value, start)
}

// minimise finds a minimum of a smooth function of few parameters of order 1.
//
// Method: Newton's steps, damped as by Levenberg and Marquardt, with derivatives by
// central differences; their width balances rounding against the third derivative.
func minimise(f func([]float64) float64, x []float64) []float64 {
	const width, rounds, converged = 1e-4, 100, 1e-8
	n := len(x)
	x = slices.Clone(x)
	value, damping := f(x), 1e-3
	for range rounds {
		gradient, hessian := derivatives(f, x, value, width)
		moved := 0.0
		for ; damping < 1e12; damping *= 10 {
			a := mat.NewSymDense(n, nil)
			largest := 0.0
			for i := range n {
				largest = math.Max(largest, math.Abs(hessian.At(i, i)))
			}
			a.CopySym(hessian)
			for i := range n {
				a.SetSym(i, i, a.At(i, i)+damping*largest)
			}
			var chol mat.Cholesky
			if !chol.Factorize(a) {
				continue
			}
			var step mat.VecDense
			if err := chol.SolveVecTo(&step, gradient); err != nil {
				continue
			}
			next := slices.Clone(x)
			for i := range n {
				next[i] -= step.AtVec(i)
			}
			if v := f(next); v <= value {
				moved = mat.Norm(&step, math.Inf(1))
				x, value, damping = next, v, damping/10
				break
			}
		}
		if moved < converged {
			break
		}
	}
	return x
}

// derivatives are the gradient and the Hessian at x by central differences.
func derivatives(f func([]float64) float64, x []float64, value, h float64) (*mat.VecDense, *mat.SymDense) {
	n := len(x)
	at := func(i int, di float64, j int, dj float64) float64 {
		y := slices.Clone(x)
		y[i] += di
		y[j] += dj
		return f(y)
	}
	gradient, hessian := mat.NewVecDense(n, nil), mat.NewSymDense(n, nil)
	for i := range n {
		up, down := at(i, h, i, 0), at(i, -h, i, 0)
		gradient.SetVec(i, (up-down)/(2*h))
		hessian.SetSym(i, i, (up-2*value+down)/(h*h))
		for j := range i {
			hessian.SetSym(i, j, (at(i, h, j, h)-at(i, h, j, -h)-at(i, -h, j, h)+at(i, -h, j, -h))/(4*h*h))
		}
	}
	return gradient, hessian
}

// leastShare keeps the error variance above this share of the whole, where the
// likelihood would divide by it.
const leastShare = 1e-10

type fitted struct {
	beta          []float64
	covariance    *mat.SymDense
	logLikelihood float64
	residual      float64 // rᵀV⁻¹r
}

// cross sums the products aᵀV⁻¹b of the columns of [X y] over blocks.
type cross struct {
	m    []float64 // (p+1)×(p+1), lower triangle
	ones []float64 // 1ᵀV⁻¹a
	s    float64   // 1ᵀV⁻¹1
}

func newCross(q int) *cross { return &cross{m: make([]float64, q*q), ones: make([]float64, q)} }

func (c *cross) clear() {
	clear(c.m)
	clear(c.ones)
	c.s = 0
}

// addOne adds an observation of variance d.
func (c *cross) addOne(o *Observation, d float64) {
	q := len(c.ones)
	at := func(i int) float64 {
		if i == q-1 {
			return o.Y
		}
		return o.X[i]
	}
	for i := range q {
		a := at(i) / d
		c.ones[i] += a
		for j := range i + 1 {
			c.m[i*q+j] += a * at(j)
		}
	}
	c.s += 1 / d
}

// addBlock adds a block whose members share an effect of variance v, and gives what
// that adds to ln|V|.
func (c *cross) addBlock(b *cross, v float64) float64 {
	q := len(c.ones)
	k := 1 + v*b.s
	for i := range q {
		c.ones[i] += b.ones[i] / k
		for j := range i + 1 {
			c.m[i*q+j] += b.m[i*q+j] - v*b.ones[i]*b.ones[j]/k
		}
	}
	c.s += b.s / k
	return math.Log(k)
}

// fit is generalised least squares at given variances; false where XᵀV⁻¹X is singular.
func (s *system) fit(v Variances) (fitted, bool) {
	q := s.p + 1
	cluster, group, all := newCross(q), newCross(q), newCross(q)
	least := leastShare * math.Max(v.Error+v.Cluster+v.Group, s.scale*s.scale)
	logV, i := 0.0, 0
	for _, end := range s.ends {
		cluster.clear()
		for ; i < end.at; i++ {
			o := &s.y[i]
			d := math.Max(v.Error+o.U*o.U, least)
			logV += math.Log(d)
			cluster.addOne(o, d)
		}
		logV += group.addBlock(cluster, v.Cluster)
		if end.group {
			logV += all.addBlock(group, v.Group)
			group.clear()
		}
	}
	f := fitted{residual: all.m[q*q-1]}
	logX := 0.0
	if s.p > 0 {
		xx, xy := mat.NewSymDense(s.p, nil), mat.NewVecDense(s.p, all.m[q*(q-1):q*q-1])
		for i := range s.p {
			for j := range i + 1 {
				xx.SetSym(i, j, all.m[i*q+j])
			}
		}
		var chol mat.Cholesky
		// worst is the condition beyond which no digit of β is left.
		const worst = 1e13
		if !chol.Factorize(xx) || chol.Cond() > worst {
			return fitted{}, false
		}
		beta := mat.NewVecDense(s.p, nil)
		if err := chol.SolveVecTo(beta, xy); err != nil {
			return fitted{}, false
		}
		f.beta, f.covariance = beta.RawVector().Data, mat.NewSymDense(s.p, nil)
		if err := chol.InverseTo(f.covariance); err != nil {
			return fitted{}, false
		}
		f.residual -= mat.Dot(beta, xy)
		logX = chol.LogDet()
	}
	f.logLikelihood = -.5 * (float64(len(s.y)-s.p)*math.Log(2*math.Pi) + logV + logX + f.residual)
	return f, true
}

// groupEffects predicts each group's effect γ·1ᵀV⁻¹r/(1 + γ·1ᵀV⁻¹1) from its residuals.
func (s *system) groupEffects(v Variances, beta []float64) []Effect {
	group, cluster := newCross(1), newCross(1)
	var out []Effect
	i := 0
	for _, end := range s.ends {
		cluster.clear()
		for ; i < end.at; i++ {
			o := s.y[i]
			for j, b := range beta {
				o.Y -= b * o.X[j]
			}
			cluster.addOne(&o, math.Max(v.Error+o.U*o.U, leastShare*s.scale*s.scale))
		}
		group.addBlock(cluster, v.Cluster)
		if end.group {
			k := 1 + v.Group*group.s
			out = append(out, Effect{s.numbers[len(out)], v.Group * group.ones[0] / k, math.Sqrt(v.Group / k)})
			group.clear()
		}
	}
	return out
}
