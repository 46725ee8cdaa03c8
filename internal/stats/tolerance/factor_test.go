package tolerance

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s is %.9g, expected %.9g within %g", what, got, want, tol)
	}
}

func factors(t *testing.T, n int, p, g float64) (one, two, howe float64) {
	t.Helper()
	var err [3]error
	one, err[0] = OneSidedFactor(n, p, g)
	two, err[1] = TwoSidedFactor(n, p, g)
	howe, err[2] = HoweFactor(n, p, g)
	for _, e := range err {
		if e != nil {
			t.Fatal(e)
		}
	}
	return one, two, howe
}

// NIST/SEMATECH e-Handbook 7.2.6.3: N = 43, p = .90, γ = .99, and N = 6; the
// bounds for mean 97.07 and s .0268 as on its spreadsheet.
func TestHandbookFactors(t *testing.T) {
	one, _, howe := factors(t, 43, .9, .99)
	near(t, "k2 (Howe)", howe, 2.217, 5e-4)
	near(t, "k1 (noncentral t)", one, 1.8740, 5e-5)
	near(t, "t", one*math.Sqrt(43), 12.28834, 5e-6)
	near(t, "upper", 97.07+one*.0268, 97.120, 5e-4)
	near(t, "two-sided low", 97.07-howe*.0268, 97.010576, 1e-6*3)
	near(t, "two-sided high", 97.07+howe*.0268, 97.129424, 1e-6*3)
	one, _, _ = factors(t, 6, .9, .99)
	near(t, "k1 for 6", one, 4.4111, 5e-5)
}

// A worked example at real-statistics.com (tolerance interval example): n = 40,
// p = .90, confidence .99, mean 10, s .2.
func TestWorkedFactors(t *testing.T) {
	one, two, _ := factors(t, 40, .9, .99)
	near(t, "one-sided", one, 1.9017, 5e-5)
	near(t, "low", 10-two*.2, 9.5496, 2e-4)
	near(t, "high", 10+two*.2, 10.4504, 2e-4)
}

// Two-sided factors with 95 % confidence of Berthouex and Brown, Statistics for
// Environmental Engineers, table 21.1, two decimals.
func TestPublishedTwoSidedFactors(t *testing.T) {
	for n, want := range map[int][3]float64{
		4: {5.37, 6.34, 8.22}, 5: {4.29, 5.08, 6.60}, 6: {3.73, 4.42, 5.76}, 8: {3.16, 3.75, 4.89}, 10: {2.86, 3.39, 4.44},
		12: {2.67, 3.17, 4.16}, 15: {2.49, 2.96, 3.89}, 20: {2.32, 2.76, 3.62}, 25: {2.22, 2.64, 3.46}, 30: {2.15, 2.55, 3.35},
		40: {2.06, 2.45, 3.22}, 60: {1.96, 2.34, 3.07},
	} {
		for i, p := range []float64{.9, .95, .99} {
			_, two, _ := factors(t, n, p, .95)
			near(t, "two-sided for "+strconv.Itoa(n), two, want[i], .0105)
		}
	}
}

// testdata/factors.csv: scipy's noncentral t and an adaptive integral.
func TestFactorsAgainstReference(t *testing.T) {
	f, err := os.Open("testdata/factors.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 121 {
		t.Fatalf("%d rows, expected 121", len(rows))
	}
	for _, row := range rows[1:] {
		v := make([]float64, 5)
		for i := range v {
			if v[i], err = strconv.ParseFloat(row[i], 64); err != nil {
				t.Fatal(err)
			}
		}
		one, two, _ := factors(t, int(v[0]), v[1], v[2])
		near(t, "one-sided "+row[0]+" "+row[1]+" "+row[2], one, v[3], 2e-7*math.Max(1, v[3]))
		near(t, "two-sided "+row[0]+" "+row[1]+" "+row[2], two, v[4], 2e-7*math.Max(1, v[4]))
	}
}

// A second implementation of the noncentral t (series AS 243, gonum).
func TestOneSidedFactorAgainstSeries(t *testing.T) {
	for _, n := range []int{5, 10, 50, 200} {
		one, err := OneSidedFactor(n, .95, .95)
		if err != nil {
			t.Fatal(err)
		}
		root := math.Sqrt(float64(n))
		nct := distuv.NoncentralT{Nu: float64(n - 1), Mu: root * distuv.UnitNormal.Quantile(.95)}
		near(t, "confidence", nct.CDF(one*root), .95, 1e-8)
	}
}

// Sample sizes: 29 (coverage .90, confidence .95), 66 (.90, .999) and 299 (.99,
// .95) in a published note on Wilks intervals; 59, 93 and 124 are the known
// ones of Wilks 1941; the others by the formula 1 − pⁿ ≥ γ and its followers.
func TestSampleSize(t *testing.T) {
	for _, c := range []struct {
		p, g  float64
		sizes []int
	}{
		{.9, .9, []int{22, 38, 52}}, {.9, .95, []int{29, 46, 61}}, {.9, .99, []int{44, 64, 81}}, {.9, .999, []int{66}},
		{.95, .9, []int{45, 77, 105}}, {.95, .95, []int{59, 93, 124}}, {.95, .99, []int{90, 130, 165}}, {.99, .95, []int{299, 473, 628}},
	} {
		for i, want := range c.sizes {
			if got, err := SampleSize(c.p, c.g, i+1); err != nil || got != want {
				t.Errorf("coverage %v, confidence %v, rank %d: %d (%v), expected %d", c.p, c.g, i+1, got, err, want)
			}
		}
	}
	near(t, "confidence of the largest of 50", RankConfidence(50, 1, .95), .9231, 5e-5)
}

func TestFactorRefusals(t *testing.T) {
	for _, c := range []struct {
		n    int
		p, g float64
	}{{1, .95, .95}, {10, 0, .95}, {10, 1, .95}, {10, .95, 0}, {10, .95, 1}, {10, math.NaN(), .95}} {
		if _, err := OneSidedFactor(c.n, c.p, c.g); err == nil {
			t.Errorf("one-sided accepts %+v", c)
		}
		if _, err := TwoSidedFactor(c.n, c.p, c.g); err == nil {
			t.Errorf("two-sided accepts %+v", c)
		}
		if _, err := HoweFactor(c.n, c.p, c.g); err == nil {
			t.Errorf("Howe accepts %+v", c)
		}
	}
	if _, err := SampleSize(.95, .95, 0); err == nil {
		t.Error("rank 0 accepted")
	}
	if _, err := SampleSize(1-1e-9, .95, 1); err == nil {
		t.Error("a sample of billions accepted")
	}
}
