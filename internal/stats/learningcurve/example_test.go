package learningcurve_test

import (
	"fmt"
	"log"
	"math"
	"math/rand/v2"

	"plumbline/internal/stats/learningcurve"
)

// Forty cases whose deviations fall from 2.4 mm to 0.8 mm.
func ExampleAnalyse() {
	rng := rand.New(rand.NewPCG(1, 1))
	var cases []learningcurve.Point
	for i := range 40 {
		level := 0.8 + 1.6*math.Exp(-float64(i)/5)
		cases = append(cases, learningcurve.Point{Y: level * (1 + 0.2*rng.NormFloat64()), U: 0.05})
	}
	a, err := learningcurve.Analyse(cases, 1)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(a.Verdict)
	fmt.Printf("p = %.3f\n", *a.P)
	fmt.Println("shape:", a.Curve.Shape)
	fmt.Printf("plateau %.2f mm (%.2f to %.2f)\n", *a.Plateau.Value, *a.Plateau.Low, *a.Plateau.High)
	// Output:
	// learning
	// p = 0.001
	// shape: exponential
	// plateau 0.85 mm (0.29 to 0.92)
}
