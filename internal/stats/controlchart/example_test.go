package controlchart_test

import (
	"fmt"
	"log"

	"plumbline/internal/stats/controlchart"
)

// The learning-curve CUSUM declares a clinician competent whose failure rate is 10 %
// rather than 30 %.
func ExampleDesignCompetence() {
	chart, err := controlchart.DesignCompetence(0.10, 0.30, 0.05, 50)
	if err != nil {
		log.Fatal(err)
	}
	outcomes := make([]bool, 40)
	for i := range outcomes {
		outcomes[i] = i != 2 && i != 5 && i != 21 // three failures
	}
	fmt.Printf("limit %.2f, wrongly declared competent %.3f, rightly %.2f\n", chart.Limit, chart.ErrorRate, chart.Power)
	fmt.Println("competent at case", chart.Run(outcomes).Signal)
	// Output:
	// limit 4.15, wrongly declared competent 0.049, rightly 0.91
	// competent at case 28
}

// The usual CUSUM of figures with a target of 1 mm and a standard deviation of 0.3 mm.
func ExampleCUSUM_Run() {
	chart := controlchart.UsualCUSUM(1, 0.3)
	for i, p := range chart.Run([]float64{1.1, 0.9, 1.6, 1.7, 1.5, 1.8, 1.6}) {
		if p.SignalHigh {
			fmt.Printf("signal at case %d; the change began after case %d\n", i+1, i+1-p.RunHigh)
		}
	}
	// Output:
	// signal at case 6; the change began after case 2
	// signal at case 7; the change began after case 2
}
