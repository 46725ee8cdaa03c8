package severity

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
)

func of(v float64) *float64 { return &v }

// to is a clearance with a margin, in the order in which a case has it.
func to(name, kind string, planned, achieved, margin float64) measurement.Clearance {
	return measurement.Clearance{Structure: name, Kind: kind, Planned: planned, Achieved: &achieved, Margin: &margin}
}

func at(entry, apex, angle float64) *measurement.Values {
	return &measurement.Values{measurement.Entry: &entry, measurement.Apex: &apex, measurement.Angle: &angle}
}

// What counts most, case by case, as the definitions of the program order it.
func TestTheGravestComesFirst(t *testing.T) {
	kept := to("left canal", "nerve", 3, 2.5, 2)
	missed := to("root 35", "root", 2, 1.2, 1.5)
	entered := to("root 37", "root", 2, -0.3, 1.5)
	ofPlan := to("left canal", "nerve", 1.5, 1.8, 2)
	opposite := to("right canal", "nerve", 43.5, 43.5, 2)
	for _, c := range []struct {
		name      string
		site      string
		clearance []measurement.Clearance
		deviation *measurement.Values
		doubt     bool
		code      measurement.VerdictCode
		by        measurement.Blame
		title     string
		says      []string // in this order
	}{
		{"all of it", "36", []measurement.Clearance{missed, entered}, at(1, 3, 5), true, "structure-entered", "transfer", "structure entered by transfer; in doubt; nerve not checked",
			[]string{"reaches into root 37 by 0.30 mm", "1.20 mm from root 35", "in doubt", "outside the stated limits: apex deviation 3.00 mm, more than 2", "not checked: the distance to the nerve canal"}},
		{"a margin before a doubt", "36", []measurement.Clearance{kept, missed}, at(1, 1, 5), true, "margin-missed", "transfer", "margin missed by transfer; in doubt", []string{"1.20 mm from root 35", "in doubt"}},
		{"the plan's margin", "36", []measurement.Clearance{ofPlan}, at(1, 1, 5), false, "margin-missed", "plan", "margin missed by plan", []string{"1.80 mm from left canal, less than the margin of 2.0 mm (by the plan: it left 1.50 mm of 2.0 mm, placing gave back 0.30 mm)"}},
		{"a doubt before the limits", "36", []measurement.Clearance{kept}, at(1, 3, 5), true, "doubt", "", "in doubt", []string{"in doubt", "outside the stated limits"}},
		{"the limits", "36", []measurement.Clearance{kept}, at(2.01, 1, 9), false, "outside-limits", "", "outside the limits", []string{"entry deviation 2.01 mm, more than 2 mm, angular deviation 9.00°, more than 8°"}},
		{"nothing", "36", []measurement.Clearance{kept, opposite}, at(2, 2, 8), false, "nothing-against-it", "", "nothing against it", []string{"nothing against it: no structure entered, no margin missed, no doubt, entry within 2 mm, apex within 2 mm, angle within 8°"}},
		{"the canal of the other side", "36", []measurement.Clearance{opposite}, at(1, 1, 1), false, "not-checked", "", "nerve not checked", []string{"not checked: the distance to the nerve canal; none was given near this site"}},
		{"an upper tooth with a root alone", "26", []measurement.Clearance{to("root 25", "root", 2, 2, 1.5)}, at(1, 1, 1), false, "not-checked", "", "sinus not checked", []string{"not checked: the distance to the sinus"}},
		{"a sinus without a margin", "26", []measurement.Clearance{{Structure: "sinus", Kind: "sinus", Planned: 1, Achieved: of(0.2)}}, at(1, 1, 1), false, "nothing-against-it", "", "nothing against it", nil},
		{"a lower canine has no such structure", "33", []measurement.Clearance{to("root 32", "root", 2, 2, 1.5)}, at(1, 1, 1), false, "nothing-against-it", "", "nothing against it", nil},
		{"no structure at a front tooth", "11", nil, at(1, 1, 1), false, "not-checked", "", "no structure checked", []string{"not checked: the distance to any structure; none was given"}},
		{"no structure at a lower molar", "46", nil, at(1, 1, 1), false, "not-checked", "", "nerve not checked", []string{"not checked: the distance to the nerve canal and to any other structure; none was given"}},
		{"planned only", "46", []measurement.Clearance{{Structure: "canal", Kind: "nerve", Planned: 4, Margin: of(2)}}, nil, true, "doubt", "", "in doubt; nerve not checked", []string{"as placed; it could not be had"}},
		{"planned into it, and not found", "46", []measurement.Clearance{{Structure: "canal", Kind: "nerve", Planned: -1, Margin: of(2)}}, nil, true, "structure-entered", "plan", "structure entered by plan; in doubt; nerve not checked", []string{"the plan itself reaches into canal by 1.00 mm; where the fixture lies is not known"}},
	} {
		v := Fixture(measurement.Fixture{Site: c.site, Clearance: c.clearance, Deviation: c.deviation}, c.doubt, UsualLimits)
		assert.Equal(t, c.code, v.Code, c.name)
		assert.Equal(t, c.by, v.By, c.name)
		assert.Equal(t, c.doubt, v.Doubt, c.name)
		assert.Equal(t, c.title, Title(v), c.name)
		at := 0
		for _, text := range c.says {
			i := strings.Index(v.Message[at:], text)
			require.GreaterOrEqual(t, i, 0, "%s: %q in %q", c.name, text, v.Message)
			at += i
		}
		assert.Equal(t, v.Code != measurement.NothingAgainst, !strings.Contains(v.Message, "nothing against it"), c.name)
	}
}

// Whose a breach is: what was planned too near is the plan's, what placing lost is
// the transfer's, and both's where placing surely lost more.
func TestWhoseItIs(t *testing.T) {
	low := func(c measurement.Clearance, high float64) measurement.Clearance {
		c.High = &high
		return c
	}
	for _, c := range []struct {
		clearance      measurement.Clearance
		by             measurement.Blame
		plan, transfer float64
	}{
		{to("c", "nerve", 3, 2.5, 2), "", 1, -0.5},
		{to("c", "nerve", 2, 1.5, 2), "transfer", 0, -0.5},
		{to("c", "nerve", 1.5, 1.5, 2), "plan", -0.5, 0},
		{to("c", "nerve", 1.5, 1.9, 2), "plan", -0.5, 0.4},
		{to("c", "nerve", 1.5, 2.5, 2), "plan", -0.5, 1},
		{to("c", "nerve", 1.5, 1.2, 2), "plan and transfer", -0.5, -0.3},
		{low(to("c", "nerve", 1.5, 1.45, 2), 1.55), "plan", -0.5, -0.05},
		{low(to("c", "nerve", 1.5, 1.2, 2), 1.4), "plan and transfer", -0.5, -0.3},
		{to("c", "nerve", 1, -0.5, 2), "plan and transfer", -1, -1.5},
		{to("c", "nerve", 3, 0, 2), "transfer", 1, -3},
		{to("c", "nerve", -1, -0.5, 2), "plan", -3, 0.5},
	} {
		assert.Equal(t, c.by, Blame(c.clearance), "%v", c.clearance)
		s := Share(c.clearance)
		assert.InDelta(t, c.plan, *s.Plan, 1e-12)
		assert.InDelta(t, c.transfer, *s.Transfer, 1e-12)
	}
	assert.Nil(t, Share(measurement.Clearance{Planned: 2}))
	assert.Nil(t, Share(measurement.Clearance{Planned: 2, Achieved: of(1)}).Plan, "no margin, no share of the plan")
}

// The table begins with what is worst; a far structure is never at its head.
func TestOrderOfClearances(t *testing.T) {
	sinus := measurement.Clearance{Structure: "sinus", Kind: "sinus", Planned: 2, Achieved: of(1.15)}
	list := []measurement.Clearance{
		to("right canal", "nerve", 43.5, 43.5, 2), to("fixture at 37", "fixture", 4.2, 4.12, 3), to("left canal", "nerve", 3.7, 3.68, 2),
		sinus, to("root 35", "root", 2, 1.4, 1.5), to("root 37", "root", 2, -0.1, 1.5), to("fixture at 35", "fixture", 2, 3.4, 3),
	}
	var names []string
	for _, c := range Ordered(list) {
		names = append(names, c.Structure)
	}
	assert.Equal(t, []string{"root 37", "root 35", "fixture at 35", "fixture at 37", "sinus", "left canal", "right canal"}, names)
	assert.Equal(t, "root 37", Tightest(list).Structure)
	whole := []measurement.Clearance{list[0], list[1], list[2]}
	assert.Equal(t, "fixture at 37", Tightest(whole).Structure, "1.12 mm over its margin")
	assert.Equal(t, "left canal", Nearest(whole).Structure, "3.68 mm away")
	assert.Equal(t, "right canal", list[0].Structure, "the list itself stays as it was")
	assert.Nil(t, Tightest(nil))
	assert.Nil(t, Nearest(nil))
}

// A case has the gravest verdict of its fixtures; one that was not checked keeps
// the case from being one that nothing is against.
func TestVerdictOfACase(t *testing.T) {
	well := measurement.Fixture{Site: "36", Deviation: at(1, 1, 1), Clearance: []measurement.Clearance{to("canal", "nerve", 3, 3, 2)}}
	bare := measurement.Fixture{Site: "37", Deviation: at(1, 1, 1)}
	bad := measurement.Fixture{Site: "35", Deviation: at(1, 1, 1), Clearance: []measurement.Clearance{to("canal", "nerve", 3, -1, 2)}}
	whole, each := Case(&measurement.Case{Fixtures: []measurement.Fixture{well, bare}}, UsualLimits)
	assert.Equal(t, measurement.NotChecked, whole.Code)
	assert.Equal(t, []string{"nerve"}, whole.NotChecked)
	assert.Equal(t, measurement.NothingAgainst, each[0].Code)
	assert.Contains(t, whole.Message, "site 36: nothing against it")
	assert.Contains(t, whole.Message, "site 37: not checked")
	doubt := measurement.Flags{{Code: "a", Level: measurement.Doubt}}
	whole, each = Case(&measurement.Case{Flags: doubt, Fixtures: []measurement.Fixture{well, bare, bad}}, UsualLimits)
	assert.Equal(t, measurement.StructureEntered, whole.Code)
	assert.Equal(t, measurement.ByTransfer, whole.By)
	assert.Equal(t, measurement.InDoubt, each[0].Code)
	assert.True(t, whole.Doubt)
}

// A breach is printed with what it is by, a plate is perforated from inside.
func TestSentences(t *testing.T) {
	assert.Contains(t, Sentence(to("buccal plate", "cortex", 1, -0.25, 0.5)), "the fixture perforates buccal plate by 0.25 mm as measured")
	assert.Contains(t, Sentence(to("canal", "nerve", 3, 0, 2)), "touches or crosses the surface of canal")
	assert.Contains(t, Sentence(to("canal", "nerve", 1.25, 1.25, 1.75)), "less than the margin of 1.75 mm (by the plan: it left 1.25 mm of 1.75 mm, placing changed nothing)")
	assert.Empty(t, Sentence(to("canal", "nerve", 3, 3, 2)))
}

// The largest usual margin, 3 mm to another fixture, and the largest published deviation, 7.1 mm
// at the apex, are the distance beyond which nothing can be missed that was ever reported.
func TestWhatIsOutOfReach(t *testing.T) {
	assert.InDelta(t, 10.1, Reach(), 1e-9)
	far := func(planned, achieved float64, margin *float64) bool {
		return Beyond(measurement.Clearance{Planned: planned, Achieved: &achieved, Margin: margin})
	}
	assert.True(t, far(10.2, 10.2, nil))
	assert.False(t, far(10.2, 10.0, nil), "it came nearer")
	assert.False(t, far(10.0, 10.2, nil), "it was planned nearer")
	assert.True(t, far(10.2, 10.2, new(2.0)))
	assert.False(t, far(12, 12, new(5.0)), "a margin of one's own that is larger")
	assert.False(t, Beyond(measurement.Clearance{Planned: 40}), "where it lies is not known")
}
