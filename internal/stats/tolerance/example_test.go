package tolerance_test

import (
	"fmt"
	"log"

	"plumbline/internal/stats/tolerance"
)

// A bound that 95 % of the next fixtures stay under, with 95 % confidence.
func ExampleUpperLength() {
	apex := []float64{0.81, 1.22, 0.64, 1.05, 0.93, 1.48, 0.71, 1.16, 0.99, 0.55, 1.31, 0.88, 1.09, 0.76, 1.19} // mm
	b, err := tolerance.UpperLength(apex, 0.95, 0.95, 1)
	if err != nil {
		log.Fatal(err)
	}
	if b.Upper == nil {
		fmt.Println("no bound:", b.Reason)
		return
	}
	fmt.Printf("%.2f mm by %s from %d fixtures\n", *b.Upper, b.Method, b.N)
	fmt.Printf("without a distribution it takes %d fixtures\n", b.NeedFree)
	// Output:
	// 1.87 mm by normal theory from 15 fixtures
	// without a distribution it takes 59 fixtures
}
