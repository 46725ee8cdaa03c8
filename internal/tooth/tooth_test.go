package tooth

import (
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The pairs of ISO 3950:2016 designations and universal numbers 1 to 32, as
// printed in charts of both systems.
var table = []Number{
	18, 17, 16, 15, 14, 13, 12, 11, // universal 1 to 8
	21, 22, 23, 24, 25, 26, 27, 28, // 9 to 16
	38, 37, 36, 35, 34, 33, 32, 31, // 17 to 24
	41, 42, 43, 44, 45, 46, 47, 48, // 25 to 32
}

func TestAllNumbersBothWays(t *testing.T) {
	require.Len(t, table, 32)
	assert.Equal(t, table, All())
	for i, want := range table {
		u := i + 1
		got, err := Parse(strconv.Itoa(u), Universal)
		require.NoError(t, err)
		assert.Equal(t, want, got, "universal %d", u)
		assert.Equal(t, u, want.Universal(), "ISO %d", want)
		assert.Equal(t, strconv.Itoa(u), want.Label(Universal))

		back, err := Parse(want.String(), ISO3950)
		require.NoError(t, err)
		assert.Equal(t, want, back)
		assert.True(t, want.Valid())
	}
}

// Universal 25 is the lower right central incisor; helpers that count the lower
// right quadrant backwards make it a third molar.
func TestLowerRightQuadrantRunsFromTheMidline(t *testing.T) {
	n, err := Parse("25", Universal)
	require.NoError(t, err)
	assert.Equal(t, Number(41), n)
	assert.Equal(t, "lower right central incisor", n.Name())
	assert.Equal(t, "lower right third molar", Number(48).Name())
	assert.Equal(t, 32, Number(48).Universal())
}

func TestOneLabelTwoTeeth(t *testing.T) {
	shared := 0
	for v := 1; v <= 99; v++ {
		label := strconv.Itoa(v)
		a, errA := Parse(label, ISO3950)
		b, errB := Parse(label, Universal)
		if errA == nil && errB == nil {
			shared++
			assert.NotEqual(t, a, b, "label %s", label)
		}
	}
	assert.Equal(t, 18, shared, "11-18, 21-28, 31 and 32")
}

// Common practice: universal 6-11 and 22-27 are canine to canine, 19 is the
// lower left first molar.
func TestAnteriorIsCanineToCanine(t *testing.T) {
	for u := 1; u <= 32; u++ {
		n, err := Parse(strconv.Itoa(u), Universal)
		require.NoError(t, err)
		want := u >= 6 && u <= 11 || u >= 22 && u <= 27
		assert.Equal(t, want, n.Anterior(), "universal %d", u)
	}
}

func TestJawSideAndName(t *testing.T) {
	for _, c := range []struct {
		n    Number
		jaw  Jaw
		side Side
		name string
	}{
		{16, Upper, Right, "upper right first molar"},
		{26, Upper, Left, "upper left first molar"},
		{36, Lower, Left, "lower left first molar"},
		{46, Lower, Right, "lower right first molar"},
		{11, Upper, Right, "upper right central incisor"},
		{22, Upper, Left, "upper left lateral incisor"},
		{33, Lower, Left, "lower left canine"},
		{44, Lower, Right, "lower right first premolar"},
		{25, Upper, Left, "upper left second premolar"},
		{37, Lower, Left, "lower left second molar"},
	} {
		assert.Equal(t, c.jaw, c.n.Jaw(), "%d", c.n)
		assert.Equal(t, c.side, c.n.Side(), "%d", c.n)
		assert.Equal(t, c.name, c.n.Name())
	}
	names := map[string]bool{}
	for _, n := range All() {
		names[n.Name()] = true
	}
	assert.Len(t, names, 32)
}

func TestNoSuchTooth(t *testing.T) {
	for _, c := range []struct {
		label  string
		system System
		hint   string
	}{
		{"19", ISO3950, `numbering = "universal"`},
		{"3", ISO3950, `numbering = "universal"`},
		{"30", ISO3950, `numbering = "universal"`},
		{"40", ISO3950, "11-18"},
		{"49", ISO3950, "11-18"},
		{"75", ISO3950, "primary tooth"},
		{"", ISO3950, "11-18"},
		{"3.6", ISO3950, "11-18"},
		{"036", ISO3950, "11-18"},
		{"+36", ISO3950, "11-18"},
		{" 36", ISO3950, "11-18"},
		{"99999999999999999999", ISO3950, "11-18"},
		{"36", Universal, `numbering = "iso3950"`},
		{"48", Universal, `numbering = "iso3950"`},
		{"0", Universal, "1-32"},
		{"33", Universal, `numbering = "iso3950"`},
		{"-5", Universal, "1-32"},
		{"A", Universal, "1-32"},
		{"36", "chart", `"iso3950" or "universal"`},
	} {
		n, err := Parse(c.label, c.system)
		require.Error(t, err, "%q in %s", c.label, c.system)
		assert.Contains(t, err.Error(), c.hint)
		assert.Zero(t, n)
		assert.False(t, n.Valid())
	}
}

func FuzzParse(f *testing.F) {
	f.Add("36")
	f.Add("19")
	f.Add("+1")
	f.Fuzz(func(t *testing.T, label string) {
		for _, system := range []System{ISO3950, Universal} {
			n, err := Parse(label, system)
			if err != nil {
				assert.Zero(t, n)
				continue
			}
			assert.True(t, n.Valid())
			assert.Equal(t, label, n.Label(system))
		}
	})
}
