package analysis

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"plumbline/internal/series"
)

func TestBreachAnswer(t *testing.T) {
	rows := hand{spread: steady(.3), u: .05}.cases(20, 5)
	at := -1
	for i := range rows {
		for j := range rows[i].Clearance {
			rows[i].Clearance[j].Achieved = number(2.5)
			at = i
		}
	}
	a := analyse(t, rows, Defaults())
	assert.Contains(t, a.Answers.Breaches, "No structure entered and no margin missed.")
	rows[at].Bone = &series.BuccalBone{Planned: number(.5), Achieved: number(-.6)}
	a = analyse(t, rows, Defaults())
	assert.Contains(t, a.Answers.Breaches, "No structure entered and no margin missed. The wall lies outside the bone to buccal at 1 fixture.")
	assert.Equal(t, TooNear, a.Answers.List()[0][0], "it comes before all else")
	rows[at].Clearance[0].Achieved = number(-.4)
	rows[at].Doubt = true
	a = analyse(t, rows, Defaults())
	assert.Contains(t, a.Answers.Breaches, "Structures entered at 1 fixture, margins missed at 0 of 20.", "a doubtful measurement's breach counts")
	assert.Contains(t, a.Answers.Breaches, "nerve entered by 0.4 mm in case "+rows[at].Case)
	for i := range rows {
		rows[i].Clearance = nil
	}
	assert.Contains(t, analyse(t, rows, Defaults()).Answers.Breaches, "Not checked: no structure was given for any of 20 fixtures.")
}
