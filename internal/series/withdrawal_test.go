package series

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
)

func withdraw(number int, why string) Record {
	return Record{Kind: Correction, Time: "2026-05-01T12:00:00+02:00", Corrects: number, Withdraw: true, Author: "clinician-a", Reason: why}
}

// A bad case that is withdrawn, seal and all, stays in the table and counts against
// consecutiveness; taken back, it counts as before.
func TestNothingVanishes(t *testing.T) {
	good := []Record{seal("C-1", "2026-03-03", "p", noon), measured("C-1", "2026-03-03", "p", 1)}
	bad := append(good, seal("C-2", "2026-03-04", "q", noon), measured("C-2", "2026-03-04", "q", 8))
	require.True(t, ofChain(t, bad...).Consecutive)

	s := ofChain(t, append(bad, withdraw(4, "wrong scan"), withdraw(3, "wrong plan"))...)
	assert.False(t, s.Consecutive)
	assert.Equal(t, []string{"C-2"}, s.Withdrawn)
	assert.Equal(t, "1 case is measured. Nothing shows that these are all cases: 1 with a seal or figures withdrawn (C-2).", s.Words)
	require.Len(t, s.Cases, 2)
	c := s.Cases[1]
	assert.Equal(t, StatusWithdrawn, c.Status)
	assert.Equal(t, "2026-03-04", c.Placed)
	assert.Equal(t, "clinician-a", c.Clinician)
	require.Len(t, c.Flags, 2)
	assert.Equal(t, measurement.CodeWithdrawn, c.Flags[1].Code)
	assert.Equal(t, "record 4 of 2026-04-01, which held figures of site 36 (entry 0.50 mm, apex 2.00 mm, angle 2.00°, nothing against it), was withdrawn on 2026-05-01 by clinician-a (record 5): wrong scan", c.Flags[1].Message)
	table := s.Table()
	require.Len(t, table, 3, "C-1, and both withdrawn records of C-2")
	for i, want := range []struct {
		record int
		apex   bool
	}{{2, true}, {3, false}, {4, true}} {
		assert.Equal(t, want.record, table[i].Record)
		assert.Equal(t, want.apex, table[i].Deviation[measurement.Apex] != nil)
		assert.Equal(t, "36", table[i].Site)
	}
	assert.Equal(t, "wrong scan", table[2].Reason)
	assert.Equal(t, 5, table[2].Withdrawn.By)
	assert.Len(t, s.Rows(), 1, "what was withdrawn is in no mean")

	back := ofChain(t, append(bad, withdraw(4, "wrong scan"), withdraw(5, "it was the right one"))...)
	assert.True(t, back.Consecutive, "the withdrawal was withdrawn")
	assert.Len(t, back.Rows(), 2)
	require.Len(t, back.Withdrawals, 1)
	assert.Equal(t, "the withdrawal of record 4", back.Withdrawals[0].Held)

	again := ofChain(t, append(bad, withdraw(4, "wrong scan"), withdraw(5, "right"), withdraw(6, "wrong after all"))...)
	assert.Equal(t, []string{"C-2"}, again.Withdrawn)

	only := ofChain(t, append(bad, withdraw(3, "another plan was meant"))...)
	assert.Equal(t, StatusMeasured, only.Cases[1].Status)
	assert.Equal(t, "2 cases are measured. Nothing shows that these are all cases: 1 not sealed before surgery (C-2); 1 with a seal or figures withdrawn (C-2).", only.Words)

	// A remark and a reason are words: they stay, and count for nothing.
	words := ofChain(t, append(good, remark("well done"), withdraw(3, "on another case"))...)
	assert.True(t, words.Consecutive)
	assert.Empty(t, words.Remarks)
	require.Len(t, words.Withdrawals, 1)
	assert.Equal(t, `the remark "well done" of mentor-b`, words.Withdrawals[0].Held)
}

func ofChain(t *testing.T, records ...Record) Summary {
	t.Helper()
	return Summarise(chained(t, records...), "2026-06-01")
}

// A case that is measured another way keeps its first measurement in sight, with
// what was changed.
func TestSecondMeasurement(t *testing.T) {
	again := func(change func(m *measurement.Case)) Summary {
		second := measured("C-1", "2026-03-03", "p", 1)
		change(second.Measurement)
		return ofChain(t, seal("C-1", "2026-03-03", "p", noon), measured("C-1", "2026-03-03", "p", 8), second)
	}
	for want, change := range map[string]func(m *measurement.Case){
		"only the program or its settings": func(m *measurement.Case) { m.Program.Version = "2" },
		"plan changed after the first measurement (site 36 moved by 1.50 mm)": func(m *measurement.Case) {
			m.Inputs.PlanSHA256 = "r"
			m.Fixtures[0].Planned.Apex[0] += 1.5
		},
		"plan changed after the first measurement": func(m *measurement.Case) { m.Inputs.PlanSHA256 = "r" },
		"another follow-up scan":                   func(m *measurement.Case) { m.Inputs.PostSHA256 = "other" },
		"aligned by landmarks, first by ":          func(m *measurement.Case) { m.Alignment.Method = "landmarks" },
		"the alignment moves the fixtures by up to 2.00 mm": func(m *measurement.Case) {
			m.Fixtures[0].Achieved = &measurement.Placement{Entry: [3]float64{5, 6, 7}, Apex: [3]float64{5, 6, -3}}
			m.Alignment.PostToPre = [16]float64{0, -1, 0, 0, 1, 0, 0, 2, 0, 0, 1, 0, 0, 0, 0, 1}
		},
	} {
		s := again(func(m *measurement.Case) {
			m.Alignment.PostToPre = [16]float64{0, -1, 0, 0, 1, 0, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1}
			change(m)
		})
		if want == "the alignment moves the fixtures by up to 2.00 mm" {
			first := measured("C-1", "2026-03-03", "p", 8)
			first.Measurement.Alignment.PostToPre = [16]float64{0, -1, 0, 0, 1, 0, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1}
			second := measured("C-1", "2026-03-03", "p", 1)
			change(second.Measurement)
			s = ofChain(t, seal("C-1", "2026-03-03", "p", noon), first, second)
		}
		require.Len(t, s.Cases[0].Earlier, 1)
		e := s.Cases[0].Earlier[0]
		assert.Equal(t, want, e.Changed)
		assert.Contains(t, e.Held, "apex 2.00 mm")
		table := s.Table()
		require.Len(t, table, 2)
		assert.Equal(t, []Status{StatusMeasured, StatusReplaced}, []Status{table[0].Status, table[1].Status})
		assert.Equal(t, 2.0, *table[1].Deviation[measurement.Apex])
		assert.Contains(t, s.Cases[0].Flags[0].Message, "changed since: "+want)
		assert.Equal(t, want == onlyTheProgram, len(s.Remeasured) == 0, want)
		if want != onlyTheProgram {
			assert.False(t, s.Consecutive)
			assert.Contains(t, s.Words, "1 measured again another way (C-1)")
		}
	}
}
