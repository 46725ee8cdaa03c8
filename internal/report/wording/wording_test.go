package wording

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"plumbline/internal/measurement"
	_ "plumbline/internal/seeded" // of rapid
	"plumbline/internal/tooth"
)

func TestFiguresAreSaidInWords(t *testing.T) {
	for said, want := range map[string]string{
		Value(measurement.EntryDepth, 0.516, 36):  "0.52 mm deeper",
		Value(measurement.EntryDepth, -1.2, 36):   "1.20 mm shallower",
		Value(measurement.EntryDepth, 0, 36):      "0.00 mm",
		Value(measurement.EntryDepth, -0.004, 36): "0.00 mm",
		Value(measurement.EntryDepth, 0.0051, 36): "0.01 mm deeper",
		Value(measurement.EntryDepth, 10, 36):     "10.00 mm deeper",
		Value(measurement.EntryMesial, 0.5, 36):   "0.50 mm mesial",
		Value(measurement.EntryMesial, -0.5, 36):  "0.50 mm distal",
		Value(measurement.ApexBuccal, 0.5, 36):    "0.50 mm buccal",
		Value(measurement.ApexBuccal, -0.5, 36):   "0.50 mm lingual",
		Value(measurement.ApexBuccal, -0.5, 26):   "0.50 mm palatal",
		Value(measurement.ApexBuccal, 0.5, 11):    "0.50 mm labial",
		Value(measurement.TiltMesial, 2.345, 36):  "2.3° mesial",
		Value(measurement.TiltMesial, -2.3, 36):   "2.3° distal",
		Value(measurement.TiltBuccal, 2.3, 43):    "2.3° labial",
		Value(measurement.TiltBuccal, -2.3, 13):   "2.3° palatal",
		Clearance(1.984):                          "1.98 mm",
		Clearance(-0.3):                           "reaches in by 0.30 mm",
		Clearance(-0.001):                         "0.00 mm, touching",
		Guidance("pilot-guide"):                   "pilot-drill guided",
		Guidance("full-guide"):                    "fully guided",
		Guidance("by-hand"):                       "by hand",
		Guidance(""):                              "guidance not stated",
	} {
		assert.Equal(t, want, said)
	}
}

func TestCheekSidesOfEveryTooth(t *testing.T) {
	for _, site := range tooth.All() {
		out, in := Cheek(site)
		front := site%10 <= 3
		assert.Equal(t, map[bool]string{true: "labial", false: "buccal"}[front], out, site)
		assert.Equal(t, map[bool]string{true: "palatal", false: "lingual"}[site < 30], in, site)
	}
}

func TestIntervals(t *testing.T) {
	i := func(low, high float64) measurement.Interval { return measurement.Interval{Low: low, High: high} }
	for said, want := range map[string]string{
		Interval(i(0.1, 0.4), "mm"):                                 "0.10 to 0.40 mm",
		Interval(i(0, 2.5), "°"):                                    "0.0 to 2.5°",
		ValueInterval(measurement.EntryDepth, i(0.34, 0.7), 36):     "0.34 to 0.70 mm deeper",
		ValueInterval(measurement.EntryDepth, i(-0.7, -0.34), 36):   "0.34 to 0.70 mm shallower",
		ValueInterval(measurement.EntryDepth, i(-0.1, 0.4), 36):     "0.10 mm shallower to 0.40 mm deeper",
		ValueInterval(measurement.EntryDepth, i(-0.001, 0.4), 36):   "0.00 to 0.40 mm deeper",
		ValueInterval(measurement.EntryDepth, i(-0.4, 0.001), 36):   "0.00 to 0.40 mm shallower",
		ValueInterval(measurement.EntryDepth, i(-0.001, 0.001), 36): "0.00 to 0.00 mm",
		ValueInterval(measurement.EntryMesial, i(-0.4, 0.1), 36):    "0.40 mm distal to 0.10 mm mesial",
		ValueInterval(measurement.ApexBuccal, i(-0.4, -0.1), 26):    "0.10 to 0.40 mm palatal",
		ValueInterval(measurement.TiltMesial, i(1, 2), 36):          "1.0 to 2.0° mesial",
		ValueInterval(measurement.TiltBuccal, i(-0.2, 0.3), 31):     "0.2° lingual to 0.3° labial",
	} {
		assert.Equal(t, want, said)
	}
}

// What is said must be the figure: half a printed unit off at most, on the side
// of its sign, and no bare minus.
func TestWordsKeepSizeAndSign(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(-30, 30).Draw(t, "v")
		said := Value(measurement.EntryDepth, v, 36)
		fields := strings.Fields(said)
		size, err := strconv.ParseFloat(fields[0], 64)
		require.NoError(t, err)
		require.InDelta(t, math.Abs(v), size, 0.005+1e-12)
		switch {
		case size == 0:
			require.Len(t, fields, 2)
		case v > 0:
			require.Equal(t, "deeper", fields[2])
		default:
			require.Equal(t, "shallower", fields[2])
		}
		w := rapid.Float64Range(-30, 30).Draw(t, "w")
		interval := ValueInterval(measurement.EntryDepth, measurement.Interval{Low: min(v, w), High: max(v, w)}, 36)
		require.NotContains(t, interval, "-")
		require.Equal(t, min(v, w) <= -0.005-1e-12, strings.Contains(interval, "shallower"), interval)
		require.Equal(t, max(v, w) >= 0.005, strings.Contains(interval, "deeper"), interval)
	})
}

func TestMargins(t *testing.T) {
	n := func(v float64) *float64 { return &v }
	for want, c := range map[string]measurement.Clearance{
		"not known":                               {Planned: 3, Margin: n(2)},
		"not known, but missed by the plan":       {Planned: 1, Margin: n(2)},
		"entered, by the transfer":                {Planned: 1, Achieved: n(-0.1)},
		"entered, by the plan":                    {Planned: -1, Achieved: n(0)},
		"no margin asked for":                     {Planned: 1, Achieved: n(1)},
		"margin missed, by the transfer":          {Planned: 2, Achieved: n(1.9), Margin: n(2)},
		"margin missed, by the plan":              {Planned: 1.5, Achieved: n(1.6), Margin: n(2)},
		"margin missed, by the plan and transfer": {Planned: 1.5, Achieved: n(1.2), High: n(1.4), Margin: n(2)},
		"kept, but missed by the plan":            {Planned: 1.5, Achieved: n(2), Margin: n(2)},
		"kept, but not surely":                    {Planned: 3, Achieved: n(2.1), Low: n(1.8), Margin: n(2)},
		"kept":                                    {Planned: 3, Achieved: n(2), Low: n(2), Margin: n(2)},
	} {
		assert.Equal(t, want, Margin(c))
	}
	assert.Equal(t, "kept", Margin(measurement.Clearance{Planned: 2, Achieved: n(2.1), Margin: n(2)}), "without an interval")
}

func TestCautionsSayWhatItIsNot(t *testing.T) {
	require.NotEmpty(t, Cautions)
	assert.Contains(t, Cautions[0], "not a device")
	for _, c := range Cautions {
		assert.True(t, strings.HasSuffix(c, "."), c)
	}
}
