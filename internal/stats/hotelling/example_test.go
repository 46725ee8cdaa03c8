package hotelling_test

import (
	"fmt"
	"log"

	"plumbline/internal/stats/hotelling"
)

// Does a clinician place fixtures off in the same direction again and again? One row a
// case: mesial, buccal, deeper, mm.
func ExampleAnalyse() {
	offsets := [][]float64{
		{0.1, 0.6, 0.2}, {-0.3, 0.4, -0.1}, {0.2, 0.9, 0.3}, {0, 0.3, 0.1}, {-0.2, 0.7, -0.2},
		{0.3, 0.5, 0}, {-0.1, 0.8, 0.4}, {0.1, 0.2, -0.3}, {-0.4, 0.6, 0.2}, {0.2, 0.5, 0.1},
	}
	h, err := hotelling.Analyse(offsets)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("T² = %.1f, p = %.4f\n", h.T2, h.P)
	buccal := h.Mean[1]
	fmt.Printf("buccal %.2f mm (%.2f to %.2f)\n", buccal.Mean, buccal.Low, buccal.High)
	// Output:
	// T² = 96.8, p = 0.0004
	// buccal 0.55 mm (0.39 to 0.71)
}
