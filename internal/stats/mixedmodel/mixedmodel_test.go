package mixedmodel

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// sets are the observations of testdata/observations.csv.
func sets(t *testing.T) map[string][]Observation {
	t.Helper()
	f, err := os.Open("testdata/observations.csv")
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	out := map[string][]Observation{}
	for _, r := range rows[1:] {
		number := func(i int) float64 {
			v, err := strconv.ParseFloat(r[i], 64)
			require.NoError(t, err)
			return v
		}
		o := Observation{Group: int(number(1)), Cluster: int(number(2)), U: number(4), Y: number(5), X: []float64{1, number(3)}}
		if r[0] == "dyestuff" || r[0] == "pastes" {
			o.X = o.X[:1]
		}
		out[r[0]] = append(out[r[0]], o)
	}
	return out
}

// testdata/fits.json, by fits.R: the same models by lme4, nlme and metafor, which agree
// with each other to 1e-6 of the whole variance. The dyestuff and pastes data are those of
// Davies and Goldsmith, Statistical Methods in Research and Production, as lme4 has them.
func TestAgainstR(t *testing.T) {
	text, err := os.ReadFile("testdata/fits.json")
	require.NoError(t, err)
	var fits []struct {
		Set, By                  string
		Beta, SE                 []float64
		Residual, Cluster, Group float64
		LogLikelihood            float64 `json:"log_likelihood"`
	}
	require.NoError(t, json.Unmarshal(text, &fits))
	require.Len(t, fits, 7)
	all := sets(t)
	for _, want := range fits {
		t.Run(want.Set+" by "+strings.Fields(want.By)[0], func(t *testing.T) {
			m, err := Estimate(all[want.Set])
			require.NoError(t, err)
			whole := want.Residual + want.Cluster + want.Group
			assert.InDelta(t, want.Residual, m.Error, 2e-6*whole)
			assert.InDelta(t, want.Cluster, m.Cluster, 2e-6*whole)
			assert.InDelta(t, want.Group, m.Group, 2e-6*whole)
			assert.InDelta(t, want.LogLikelihood, m.LogLikelihood, 1e-8*math.Abs(want.LogLikelihood))
			for i := range want.Beta {
				assert.InDelta(t, want.Beta[i], m.Beta[i], 1e-6*math.Sqrt(whole))
				assert.InEpsilon(t, want.SE[i], math.Sqrt(m.Covariance.At(i, i)), 2e-6)
			}
		})
	}
}

// The likelihood and the group effects from the whole matrices, without any of the
// block formulas.
func TestAgainstWholeMatrices(t *testing.T) {
	all := sets(t)["known-variances"]
	v := Variances{Error: .1, Cluster: .07, Group: .05}
	s, err := newSystem(all)
	require.NoError(t, err)
	f, ok := s.fit(v)
	require.True(t, ok)
	logL, beta, effects := whole(s.y, v)
	assert.InDelta(t, logL, f.logLikelihood, 1e-9)
	assert.InDeltaSlice(t, beta, f.beta, 1e-10)
	for i, e := range s.groupEffects(v, f.beta) {
		assert.InDelta(t, effects[i], e.Value, 1e-10)
		assert.Less(t, e.SE, math.Sqrt(v.Group))
	}
}

func TestRefusals(t *testing.T) {
	at := func(y, x float64, cluster, group int) Observation {
		return Observation{Y: y, X: []float64{1, x}, Cluster: cluster, Group: group}
	}
	for name, c := range map[string]struct {
		y    []Observation
		want error
		says string
	}{
		"nothing":     {nil, ErrTooFew, ""},
		"too few":     {[]Observation{at(1, 0, 1, 1), at(2, 1, 2, 1)}, ErrTooFew, ""},
		"no spread":   {[]Observation{at(1, 0, 1, 1), at(2, 1, 2, 1), at(3, 2, 3, 1)}, ErrNoSpread, ""},
		"collinear":   {[]Observation{at(1, 1, 1, 1), at(2, 1, 2, 1), at(4, 1, 3, 1)}, ErrCollinear, ""},
		"not finite":  {[]Observation{at(1, 0, 1, 1), at(math.NaN(), 1, 2, 1), at(3, 2, 3, 1)}, nil, "observation 2"},
		"two groups":  {[]Observation{at(1, 0, 1, 1), at(2, 1, 1, 2), at(3, 3, 2, 2)}, nil, "cluster 1"},
		"uneven rows": {[]Observation{at(1, 0, 1, 1), {Y: 1, X: []float64{1}}, at(3, 2, 3, 1)}, nil, "fixed effects"},
	} {
		_, err := Estimate(c.y)
		require.Error(t, err, name)
		if c.want != nil {
			assert.ErrorIs(t, err, c.want, name)
		}
		assert.ErrorContains(t, err, c.says, name)
	}
}
