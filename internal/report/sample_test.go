package report

import (
	"bytes"
	"compress/zlib"
	"io"
	"math"
	"regexp"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/deviation"
	"plumbline/internal/deviation/uncertainty"
	"plumbline/internal/evidence"
	"plumbline/internal/geom"
	"plumbline/internal/measure"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/volume"
)

func pt(x float64) *float64 { return &x }

// study is a case made by hand: one fixture in a block of nothing, found where
// it lies.
func study(t *testing.T) *measure.Study {
	t.Helper()
	planned := geom.Pose{Entry: geom.Vec{X: 25, Y: 10, Z: -8}, Apex: geom.Vec{X: 25.4, Y: 10.6, Z: -17.97}}
	achieved := geom.Pose{Entry: geom.Vec{X: 25.6, Y: 9.4, Z: -8.5}, Apex: geom.Vec{X: 26.4, Y: 10.1, Z: -18.4}}
	d, err := deviation.Site(36, planned, geom.Vec{X: -0.2, Y: -1})
	require.NoError(t, err)
	dev, err := deviation.Of(planned, achieved, &d)
	require.NoError(t, err)
	ends := mat.NewSymDense(6, nil)
	for i := range 6 {
		ends.SetSym(i, i, 0.0025)
	}
	budget := evidence.Budget{{Name: "noise and misfit of the model", Cov: ends}}
	u, err := uncertainty.Propagate(planned, achieved, budget, &d, 1)
	require.NoError(t, err)
	at := func(p geom.Pose) measurement.Placement {
		return measurement.Placement{Entry: [3]float64{p.Entry.X, p.Entry.Y, p.Entry.Z}, Apex: [3]float64{p.Apex.X, p.Apex.Y, p.Apex.Z}, Diameter: 4.1, Length: 10}
	}
	s := &measure.Study{
		Planning: evidence.Scan{Volume: solid(t, planned), ToScan: geom.Identity()},
		Observed: evidence.Scan{Volume: solid(t, achieved), ToScan: geom.Identity()},
		Sites: []measure.Site{{
			Plan:       casefile.Fixture{Site: 36, Planned: planned, Diameter: 4.1, Length: 10, PlacedDiameter: 4.1, PlacedLength: 10},
			Achieved:   evidence.Achieved{Kind: evidence.FollowUpScan, Pose: &achieved, Diameter: 4.1, Length: 10, Budget: budget},
			Directions: &d,
		}},
	}
	p := at(achieved)
	s.Result = measurement.Case{
		Schema: measurement.Schema, Case: "C-007", Placed: "2026-03-14", Clinician: "clinician-a",
		Program:   measurement.Program{Version: "1.0.0", Seed: 1},
		Inputs:    measurement.Inputs{PlanSHA256: strings.Repeat("ab", 32), PreSeries: "2.25.1", PostSeries: "2.25.2", PreSHA256: strings.Repeat("cd", 32), PostSHA256: strings.Repeat("ef", 32)},
		Alignment: measurement.Alignment{Method: "scans", Quality: map[string]float64{"similarity_ratio": 0.97, "error_u_mm": 0.02, "scale_rows_ratio": 1.0004, "scale_rows_u_ratio": 0.0006, "something_new_deg": 0.1}},
		Fixtures: []measurement.Fixture{{Site: "36", Guidance: "full-guide", Planned: at(planned), Achieved: &p, Deviation: &dev, Uncertainty: &u,
			Clearance: []measurement.Clearance{
				{Structure: "left mandibular canal", Kind: "nerve", Planned: 2.31, Achieved: pt(1.61), Low: pt(1.52), High: pt(1.70), Margin: pt(2)},
				{Structure: "root 35", Kind: "root", Planned: 2.2, Achieved: pt(1.55), Low: pt(1.44), High: pt(1.66), Margin: pt(1.5)},
				{Structure: "cortex", Kind: "cortex", Planned: 0.5, Achieved: pt(-0.21), Low: pt(-0.3), High: pt(-0.1)},
			},
			Flags: measurement.Flags{
				{Code: "platform-covered", Level: measurement.Notice, Message: "site 36: a screw, abutment or crown covers the platform"},
				{Code: "margin-not-kept", Level: measurement.Notice, Message: "site 36: 1.6 mm to left mandibular canal, less than the margin of 2.0 mm"},
				{Code: "penetration", Level: measurement.Notice, Message: "site 36: the fixture reaches into cortex by 0.2 mm as measured"},
			}}},
	}
	s.Sites[0].Figures = &s.Result.Fixtures[0]
	// A canal of 1.4 mm that passes 1.61 mm beyond the apex.
	middle := r3.Add(achieved.Apex, r3.Scale(1.61+1.4, achieved.Axis()))
	canal, err := clearance.NewChain([]geom.Vec{r3.Sub(middle, geom.Vec{Y: 12}), r3.Add(middle, geom.Vec{Y: 12})}, []float64{1.4})
	require.NoError(t, err)
	s.Structures = []measure.Structure{{Plan: casefile.Structure{Name: "left mandibular canal", Kind: casefile.Nerve}, Body: canal}}
	return s
}

// solid is a scan of one envelope, 1000 inside and 0 outside.
func solid(t *testing.T, pose geom.Pose) *volume.Volume {
	t.Helper()
	e, err := clearance.Nominal(4.1).Place(pose)
	require.NoError(t, err)
	const h, n = 0.5, 64
	g := volume.Grid{Size: [3]int{n, n, n}, Step: [3]geom.Vec{{X: h}, {Y: h}, {Z: h}}}
	g.Origin = r3.Sub(r3.Scale(0.5, r3.Add(pose.Entry, pose.Apex)), geom.Vec{X: h * n / 2, Y: h * n / 2, Z: h * n / 2})
	v := &volume.Volume{Grid: g, Stored: make([]uint16, n*n*n), Slope: make([]float64, n), Intercept: make([]float64, n)}
	for k := range n {
		v.Slope[k] = 1
		for j := range n {
			for i := range n {
				d := e.SignedDistance(g.Patient(float64(i), float64(j), float64(k)))
				v.Stored[(k*n+j)*n+i] = uint16(1000 * math.Min(math.Max(0.5-d/h, 0), 1))
			}
		}
	}
	return v
}

// inDoubt is a stored case with a found and a missing fixture and flags of both
// levels.
func inDoubt(t *testing.T) *measurement.Case {
	t.Helper()
	c := study(t).Result
	c.Case = "C-008"
	c.Alignment.Flags = measurement.Flags{{Code: "alignment-doubtful", Level: measurement.Doubt, Message: "parts of the region disagree about the place"}}
	c.Fixtures = append(c.Fixtures, measurement.Fixture{Site: "37", Planned: c.Fixtures[0].Planned,
		Flags: measurement.Flags{{Code: "metal-not-found", Level: measurement.Doubt, Message: "site 37: no metal of this size lies within reach of the plan"}}})
	return &c
}

var (
	streams = regexp.MustCompile(`(?s)stream\n(.*?)\nendstream`)
	shown   = regexp.MustCompile(`(?s)\(((?:\\.|[^\\)])*)\) ?Tj`)
)

// pdfText is the text of a PDF's pages, a line for each piece that was set, in
// their order. fpdf writes it as UTF-16.
func pdfText(t *testing.T, pdf []byte) string {
	t.Helper()
	var out strings.Builder
	for _, m := range streams.FindAllSubmatch(pdf, -1) {
		r, err := zlib.NewReader(bytes.NewReader(m[1]))
		if err != nil {
			continue // not compressed, as the identity of the file
		}
		content, err := io.ReadAll(r)
		if err != nil || !bytes.Contains(content, []byte("BT ")) {
			continue
		}
		for _, s := range shown.FindAllSubmatch(content, -1) {
			raw := unescaped(string(s[1]))
			units := make([]uint16, len(raw)/2)
			for i := range units {
				units[i] = uint16(raw[2*i])<<8 | uint16(raw[2*i+1])
			}
			out.WriteString(string(utf16.Decode(units)) + "\n")
		}
	}
	return out.String()
}

// unescaped is what a literal string of a PDF stands for (ISO 32000-1, 7.3.4.2), without
// octal digits, which fpdf does not write.
func unescaped(s string) (raw []byte) {
	for i := 0; i < len(s); i++ {
		if s[i] == '\\' && i+1 < len(s) {
			i++
			switch s[i] {
			case 'r':
				raw = append(raw, '\r')
				continue
			case 'n':
				raw = append(raw, '\n')
				continue
			}
		}
		raw = append(raw, s[i])
	}
	return raw
}
