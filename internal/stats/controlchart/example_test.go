package controlchart_test

import (
	"fmt"
	"log"

	"plumbline/internal/stats/controlchart"
)

// The learning-curve CUSUM tells a failure rate of 10 % from one of 30 %.
func ExampleDesignCompetence() {
	chart, err := controlchart.DesignCompetence(0.10, 0.30, 0.05, 50)
	if err != nil {
		log.Fatal(err)
	}
	failed := make([]float64, 40)
	failed[2], failed[5], failed[21] = 1, 1, 1
	fmt.Printf("limit %.2f, wrongly shown %.3f, rightly %.2f\n", chart.Limit, chart.ErrorRate, chart.Power)
	fmt.Println("shown at case", chart.Run(failed).Signal)
	// Output:
	// limit 4.15, wrongly shown 0.049, rightly 0.91
	// shown at case 28
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
