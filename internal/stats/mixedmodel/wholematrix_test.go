package mixedmodel

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// whole is the restricted likelihood, β and the group effects with V written out.
func whole(y []Observation, v Variances) (logL float64, beta, effects []float64) {
	n, p := len(y), len(y[0].X)
	cov, x, obs := mat.NewSymDense(n, nil), mat.NewDense(n, p, nil), mat.NewVecDense(n, nil)
	for i, a := range y {
		obs.SetVec(i, a.Y)
		x.SetRow(i, a.X)
		for j, b := range y[:i+1] {
			c := 0.0
			if a.Group == b.Group {
				c += v.Group
			}
			if a.Cluster == b.Cluster {
				c += v.Cluster
			}
			if i == j {
				c += v.Error + a.U*a.U
			}
			cov.SetSym(i, j, c)
		}
	}
	var inverse, vx, xvx, xvxInverse, b, fitted, residual, solved mat.Dense
	if err := inverse.Inverse(cov); err != nil {
		panic(err)
	}
	vx.Mul(&inverse, x)
	xvx.Mul(x.T(), &vx)
	if err := xvxInverse.Inverse(&xvx); err != nil {
		panic(err)
	}
	b.Mul(vx.T(), obs)
	b.Mul(&xvxInverse, &b)
	fitted.Mul(x, &b)
	residual.Sub(obs, &fitted)
	solved.Mul(&inverse, &residual)
	q := mat.Dot(residual.ColView(0), solved.ColView(0))
	logV, _ := mat.LogDet(cov)
	logX, _ := mat.LogDet(&xvx)
	logL = -.5 * (float64(n-p)*math.Log(2*math.Pi) + logV + logX + q)
	last := 0
	for i, a := range y {
		if i == 0 || a.Group != y[i-1].Group {
			effects = append(effects, 0)
			last = len(effects) - 1
		}
		effects[last] += v.Group * solved.At(i, 0)
	}
	return logL, mat.Col(nil, 0, &b), effects
}
