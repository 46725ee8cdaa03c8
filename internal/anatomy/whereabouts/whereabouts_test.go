package whereabouts

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/tooth"
	"plumbline/internal/volume"
)

// Half axes of a sinus, and its middle on the left; the scan reaches from −40 to
// 40 mm sideways and backwards and from −20 to 40 mm upwards.
var (
	halfAxes   = geom.Vec{X: 11, Y: 15, Z: 14}
	leftSinus  = geom.Vec{X: 25, Y: 12, Z: 22}
	rightSinus = geom.Vec{X: -25, Y: 12, Z: 22}
)

// upperJaw is a block of bone with two sinuses full of air and noise that has no
// effect on a border: the grey value differs from voxel to voxel by a checkerboard.
func upperJaw() *volume.Volume {
	v := &volume.Volume{Grid: volume.Grid{Size: [3]int{81, 81, 61}, Origin: geom.Vec{X: -40, Y: -40, Z: -20},
		Step: [3]geom.Vec{{X: 1}, {Y: 1}, {Z: 1}}}}
	v.Stored = make([]uint16, v.Len())
	v.Slope, v.Intercept = make([]float64, v.Size[2]), make([]float64, v.Size[2])
	for k := range v.Size[2] {
		v.Slope[k], v.Intercept[k] = 1, -1000
	}
	for at := range v.Stored {
		i, j, k := at%81, at/81%81, at/81/81
		p := v.Patient(float64(i), float64(j), float64(k))
		v.Stored[at] = uint16(1500 + 100*((i+j+k)%2))
		if inSinus(p, leftSinus) || inSinus(p, rightSinus) {
			v.Stored[at] = 0
		}
	}
	return v
}

func inSinus(p, middle geom.Vec) bool {
	d := r3.Sub(p, middle)
	return math.Hypot(math.Hypot(d.X/halfAxes.X, d.Y/halfAxes.Y), d.Z/halfAxes.Z) < 1
}

// sinus has points of an ellipsoid, spread evenly by the golden angle.
func sinus(middle geom.Vec) Body {
	const n = 600
	b := Body{Surface: true, Size: 2 * max(halfAxes.X, halfAxes.Y, halfAxes.Z)}
	for i := range n {
		z := 1 - (2*float64(i)+1)/n
		sin, cos := math.Sincos(2.399963229728653 * float64(i))
		r := math.Sqrt(1 - z*z)
		b.Points = append(b.Points, r3.Add(middle, geom.Vec{X: halfAxes.X * r * cos, Y: halfAxes.Y * r * sin, Z: halfAxes.Z * z}))
		b.Normals = append(b.Normals, r3.Unit(geom.Vec{X: r * cos / halfAxes.X, Y: r * sin / halfAxes.Y, Z: z / halfAxes.Z}))
	}
	return b
}

func plan(site tooth.Number, structures ...casefile.Structure) *casefile.Case {
	entry := geom.Vec{X: 22, Y: 5}
	if site.Side() == tooth.Right {
		entry.X = -22
	}
	apex := r3.Add(entry, geom.Vec{Z: 10})
	if site.Jaw() == tooth.Lower {
		apex.Z = -10
	}
	return &casefile.Case{Frame: casefile.LPS, Numbering: tooth.ISO3950, Structures: structures,
		Fixtures: []casefile.Fixture{{Site: site, Planned: geom.Pose{Entry: entry, Apex: apex}}}}
}

func named(name string, kind casefile.Kind) casefile.Structure {
	return casefile.Structure{Name: name, Kind: kind}
}

// read is the body as a file in other units or coordinates would hold it.
func read(b Body, factor geom.Vec) Body {
	return reading{factor: factor}.of(b, geom.Vec{})
}

func moved(b Body, by geom.Vec) Body {
	out := b
	out.Points = nil
	for _, p := range b.Points {
		out.Points = append(out.Points, r3.Add(p, by))
	}
	return out
}

func all(f float64) geom.Vec { return geom.Vec{X: f, Y: f, Z: f} }

func TestSinuses(t *testing.T) {
	jaw := upperJaw()
	left, right := sinus(leftSinus), sinus(rightSinus)
	for name, c := range map[string]struct {
		structure string
		site      tooth.Number
		body      Body
		want      string // empty: nothing is said
	}{
		"as it is":               {"left maxillary sinus", 25, left, ""},
		"the other one":          {"right maxillary sinus", 25, right, ""},
		"without a name":         {"sinus", 25, left, ""},
		"off by a voxel":         {"left maxillary sinus", 25, moved(left, geom.Vec{X: 1}), ""},
		"metres":                 {"left maxillary sinus", 25, read(left, all(0.001)), "it is 0.03 mm across, where a sinus is 8 to 130 mm; it would fit in metres instead of mm"},
		"centimetres":            {"left maxillary sinus", 25, read(left, all(0.1)), "it would fit in centimetres instead of mm"},
		"inches":                 {"left maxillary sinus", 25, read(left, all(1/25.4)), "it would fit in inches instead of mm"},
		"micrometres":            {"left maxillary sinus", 25, read(left, all(1000)), "it is 3e+04 mm across, where a sinus is 8 to 130 mm; it would fit in micrometres instead of mm"},
		"mirrored":               {"left maxillary sinus", 25, read(left, geom.Vec{X: -1, Y: 1, Z: 1}), "it lies on the patient's right, but its name says left; it would fit mirrored left to right"},
		"mirrored, no name":      {"sinus", 25, read(left, geom.Vec{X: -1, Y: 1, Z: 1}), "it lies on the patient's right, but site 25 is on the left and it is the only sinus given"},
		"RAS":                    {"left maxillary sinus", 25, read(left, geom.Vec{X: -1, Y: -1, Z: 1}), "LPS and RAS exchanged"},
		"front to back":          {"left maxillary sinus", 25, read(left, geom.Vec{X: 1, Y: -1, Z: 1}), "follow a border in the planning scan with the darker side inwards, as that of an aerated sinus does; it would fit mirrored front to back"},
		"upside down":            {"left maxillary sinus", 25, read(left, geom.Vec{X: 1, Y: 1, Z: -1}), "below the platforms, where a sinus lies above them"},
		"500 mm away":            {"left maxillary sinus", 25, moved(left, geom.Vec{Z: 500}), "it lies outside the planning scan, 468 mm from it; check that it belongs to this scan, is in mm and in the frame \"lps\""},
		"beside the jaw":         {"left maxillary sinus", 25, moved(left, geom.Vec{X: 60}), "beside the midline, where a jaw ends after 60 mm"},
		"elsewhere in the scan":  {"left maxillary sinus", 25, moved(left, geom.Vec{X: -8, Z: -6}), "follow a border"},
		"the other side's, name": {"left maxillary sinus", 25, right, "it lies on the patient's right, but its name says left"},
	} {
		p := plan(c.site, named(c.structure, casefile.Sinus))
		flags := Check(p, p, []Body{c.body}, jaw)
		if c.want == "" {
			assert.Empty(t, flags, name)
			continue
		}
		if assert.Len(t, flags, 1, name) {
			assert.Equal(t, "structure-misplaced", flags[0].Code, name)
			assert.Equal(t, measurement.Doubt, flags[0].Level, name)
			assert.Contains(t, flags[0].Message, c.want, name)
			assert.Contains(t, flags[0].Message, c.structure, name)
		}
	}
}

// The other sinus of a small field is out of it: told, not doubted.
func TestOnTheOtherSideOfASmallField(t *testing.T) {
	jaw := upperJaw()
	p := plan(25, named("right maxillary sinus", casefile.Sinus), named("left maxillary sinus", casefile.Sinus))
	jaw.Grid = jaw.Sub([3]int{45, 0, 0}, [3]int{81, 81, 61}) // what is stored is not looked at where it lies
	jaw.Stored = make([]uint16, jaw.Len())
	flags := Check(p, p, []Body{sinus(rightSinus), Line([]geom.Vec{{X: 20, Z: 20}, {X: 30, Z: 20}}, []float64{1, 1})}, jaw)
	require.Len(t, flags, 2)
	assert.Equal(t, measurement.Notice, flags[0].Level)
	assert.Equal(t, "structure-outside-scan", flags[0].Code)
	assert.Equal(t, "structure-not-seen", flags[1].Code)
	assert.Contains(t, flags[0].Message, `no point of "right maxillary sinus" lies inside the planning scan; the nearest one is 19 mm from it`)
}

// A field that shows the left sinus and not where its mirror image, front to back,
// lies: that one is outside, but it would fit.
func TestOutsideWhereAMirrorImageWouldFit(t *testing.T) {
	jaw := upperJaw()
	lo, hi := [3]int{46, 44, 10}, [3]int{81, 81, 61}
	small := &volume.Volume{Grid: jaw.Sub(lo, hi), Slope: jaw.Slope[lo[2]:], Intercept: jaw.Intercept[lo[2]:]}
	for k := lo[2]; k < hi[2]; k++ {
		for j := lo[1]; j < hi[1]; j++ {
			at := (k*81+j)*81 + lo[0]
			small.Stored = append(small.Stored, jaw.Stored[at:at+small.Size[0]]...)
		}
	}
	for _, name := range []string{"left sinus", "sinus"} {
		p := plan(25, named(name, casefile.Sinus))
		assert.Empty(t, Check(p, p, []Body{sinus(leftSinus)}, small), name)
		flags := Check(p, p, []Body{read(sinus(leftSinus), geom.Vec{X: 1, Y: -1, Z: 1})}, small)
		require.Len(t, flags, 1, name)
		assert.Equal(t, measurement.Doubt, flags[0].Level, name)
		assert.Contains(t, flags[0].Message, "no point of it lies inside the planning scan; it would fit mirrored front to back", name)
	}
}

func TestCentreLines(t *testing.T) {
	jaw := upperJaw()
	inRoot := func(p geom.Vec) bool { return math.Hypot(p.X+21.5, p.Y+3) < 2 && p.Z < 1 && p.Z > -12 }
	for at := range jaw.Stored {
		if inRoot(jaw.Patient(float64(at%81), float64(at/81%81), float64(at/81/81))) {
			jaw.Stored[at] = 2600
		}
	}
	canal := []geom.Vec{{X: -20, Y: -5, Z: -12}, {X: -25, Y: 10, Z: -14}, {X: -30, Y: 30, Z: -6}}
	times := func(path []geom.Vec, f geom.Vec) []geom.Vec {
		return read(Line(path, nil), f).Points
	}
	root := []geom.Vec{{X: -21, Y: -3, Z: 1}, {X: -22, Y: -3, Z: -12}}
	for name, c := range map[string]struct {
		structure casefile.Structure
		path      []geom.Vec
		want      string
	}{
		"canal":                   {named("right canal", casefile.Nerve), canal, ""},
		"one point of it":         {named("canal", casefile.Nerve), canal[1:2], ""},
		"a bit of it":             {named("canal", casefile.Nerve), []geom.Vec{{X: -24, Y: 8, Z: -13}, {X: -24, Y: 9, Z: -13}}, ""},
		"canal in centimetres":    {named("right canal", casefile.Nerve), times(canal, all(0.1)), "its centre line is 3.5 mm long; it would fit in centimetres instead of mm"},
		"canal in metres":         {named("right canal", casefile.Nerve), times(canal, all(0.001)), "it would fit in metres instead of mm"},
		"canal in micrometres":    {named("right canal", casefile.Nerve), times(canal, all(1000)), "it would fit in micrometres instead of mm"},
		"canal on the other side": {named("right canal", casefile.Nerve), times(canal, geom.Vec{X: -1, Y: 1, Z: 1}), "it lies on the patient's left, but its name says right; it would fit mirrored left to right"},
		"canal, no name":          {named("canal", casefile.Nerve), times(canal, geom.Vec{X: -1, Y: 1, Z: 1}), "it lies on the patient's left, but site 46 is on the right and it is the only nerve given"},
		"canal upside down":       {named("right canal", casefile.Nerve), times(canal, geom.Vec{X: 1, Y: 1, Z: -1}), "above the platforms, where a canal lies below them; it would fit mirrored top to bottom"},
		"canal far away":          {named("right canal", casefile.Nerve), []geom.Vec{{X: -220, Y: 5, Z: 7}, {X: -220, Y: 5, Z: -6}}, "it lies outside the planning scan"},
		"a root as a canal":       {named("canal", casefile.Nerve), []geom.Vec{{X: -24, Y: 12, Z: 0}, {X: -23, Y: 14, Z: -11}}, "it runs up and down beside site 46, 11° from the vertical, as a root does and no canal"},
		"canal in the ramus":      {named("canal", casefile.Nerve), []geom.Vec{{X: -38, Y: 40, Z: 4}, {X: -36, Y: 38, Z: -9}}, ""},
		"loop before the foramen": {named("canal", casefile.Nerve), []geom.Vec{{X: -24, Y: 6, Z: -12}, {X: -24, Y: 5, Z: -7}}, ""},
		"root":                    {named("root 45.1", casefile.Root), root, ""},
		"root on the other side":  {named("root 35.1", casefile.Root), root, "it lies on the patient's right, but tooth 35 is on the left"},
		"root in centimetres":     {named("root 45.1", casefile.Root), times(root, all(0.1)), "it is 1.3 mm across, where a root is 4 to 60 mm; it would fit in centimetres instead of mm"},
	} {
		p := plan(46, c.structure)
		flags := doubts(Check(p, p, []Body{Line(c.path, slices.Repeat([]float64{2}, len(c.path)))}, jaw))
		if c.want == "" {
			assert.Empty(t, flags, name)
		} else if assert.Len(t, flags, 1, name) {
			assert.Equal(t, measurement.Doubt, flags[0].Level, name)
			assert.Contains(t, flags[0].Message, c.want, name)
		}
	}
	p := plan(46)
	assert.Empty(t, Check(p, p, nil, jaw))
}

func doubts(flags []measurement.Flag) []measurement.Flag {
	return slices.DeleteFunc(flags, func(f measurement.Flag) bool { return f.Level != measurement.Doubt })
}

// A scan from −20 to 20 mm sideways and backwards and from −30 to 0 mm upwards, of
// marrow, with a root denser than that, a canal less dense, and air in front.
var (
	rootLine  = []geom.Vec{{X: -5, Y: 2, Z: -2}, {X: -4, Y: 4, Z: -14}}
	canalLine = []geom.Vec{{X: -4, Y: -6, Z: -22}, {X: -6, Y: 12, Z: -20}}
)

func lowerJaw() *volume.Volume {
	v := &volume.Volume{Grid: volume.Grid{Size: [3]int{101, 101, 76}, Origin: geom.Vec{X: -20, Y: -20, Z: -30},
		Step: [3]geom.Vec{{X: 0.4}, {Y: 0.4}, {Z: 0.4}}}}
	v.Stored = make([]uint16, v.Len())
	v.Slope, v.Intercept = make([]float64, v.Size[2]), make([]float64, v.Size[2])
	for k := range v.Size[2] {
		v.Slope[k], v.Intercept[k] = 1, -1000
	}
	for at := range v.Stored {
		i, j, k := at%101, at/101%101, at/101/101
		p := v.Patient(float64(i), float64(j), float64(k))
		v.Stored[at] = uint16(1500 + 100*((i+j+k)%2))
		switch {
		case p.Y < -12:
			v.Stored[at] = 0
		case distanceFrom(p, rootLine) < 2:
			v.Stored[at] = 2600
		case distanceFrom(p, canalLine) < 1.4:
			v.Stored[at] = 1000
		}
	}
	return v
}

// distanceFrom a straight line between two points.
func distanceFrom(p geom.Vec, line []geom.Vec) float64 {
	along := r3.Sub(line[1], line[0])
	share := max(0, min(1, r3.Dot(r3.Sub(p, line[0]), along)/r3.Norm2(along)))
	return r3.Norm(r3.Sub(p, r3.Add(line[0], r3.Scale(share, along))))
}

// The planning scan shows where a root and a canal are: off by 2 mm, or leaning
// another way, is a doubt that says by how much; where the scan shows neither, a
// notice says that the place is not checked.
func TestSeenWhereDrawn(t *testing.T) {
	jaw := lowerJaw()
	root, canal := named("root", casefile.Root), named("canal", casefile.Nerve)
	by := func(path []geom.Vec, first, last geom.Vec) []geom.Vec {
		return []geom.Vec{r3.Add(path[0], first), r3.Add(path[1], last)}
	}
	for name, c := range map[string]struct {
		structure casefile.Structure
		path      []geom.Vec
		code      measurement.Code
		want      string // empty: nothing is said
	}{
		"root":                          {root, rootLine, "", ""},
		"root off by half a mm":         {root, by(rootLine, geom.Vec{X: 0.4, Y: 0.3}, geom.Vec{X: 0.4, Y: 0.3}), "", ""},
		"root known to a mm and a half": {casefile.Structure{Name: "root", Kind: casefile.Root, DrawnUncertainty: 1.5}, by(rootLine, geom.Vec{X: 2}, geom.Vec{X: 2}), "", ""},
		"root off by 2 mm":              {root, by(rootLine, geom.Vec{X: 2}, geom.Vec{X: 2}), "structure-misplaced", "the planning scan shows a root 2.0 mm from there"},
		"root leaning the other way":    {root, by(rootLine, geom.Vec{}, geom.Vec{X: -2, Y: -2}), "structure-misplaced", "the planning scan shows a root 2.8 mm from there"},
		"root in marrow":                {root, by(rootLine, geom.Vec{X: 15}, geom.Vec{X: 15}), "structure-misplaced", "nothing there that is denser than what is around it, as a root is"},
		"root in air":                   {root, by(rootLine, geom.Vec{X: 3, Y: -16}, geom.Vec{X: 3, Y: -18}), "structure-misplaced", "nothing there that is denser"},
		"canal":                         {canal, canalLine, "", ""},
		"canal off by 2 mm":             {canal, by(canalLine, geom.Vec{Z: 2}, geom.Vec{Z: 2}), "structure-misplaced", "the planning scan shows a canal 2.5 mm from there"},
		"canal in marrow":               {canal, by(canalLine, geom.Vec{X: 15}, geom.Vec{X: 15}), "structure-not-seen", "so that its place is not checked"},
		"canal in air":                  {canal, []geom.Vec{{X: -8, Y: -16, Z: -20}, {X: 8, Y: -17, Z: -20}}, "structure-misplaced", "of it run through air"},
		"canal in a root":               {canal, []geom.Vec{{X: -5.2, Y: 2, Z: -4}, {X: -4.4, Y: 3.4, Z: -11}}, "structure-misplaced", "denser than what is around it, and a canal is not"},
		"one spot of a canal":           {canal, canalLine[:1], "structure-not-seen", "too little of it"},
		"another fixture, still to be":  {named("fixture", casefile.FixtureBody), by(rootLine, geom.Vec{X: 15}, geom.Vec{X: 15}), "", ""},
	} {
		p := plan(46, c.structure)
		p.Fixtures[0].Planned = geom.Pose{Entry: geom.Vec{X: -5, Y: -4}, Apex: geom.Vec{X: -5, Y: -4, Z: -10}}
		radius := map[casefile.Kind]float64{casefile.Root: 2, casefile.Nerve: 1.4, casefile.FixtureBody: 2}[c.structure.Kind]
		body := Line(c.path, []float64{radius, radius}[:len(c.path)])
		flags := Check(p, p, []Body{body}, jaw)
		if c.want == "" {
			assert.Empty(t, flags, name)
		} else if assert.Len(t, flags, 1, name) {
			assert.Equal(t, c.code, flags[0].Code, name)
			assert.Contains(t, flags[0].Message, c.want, name)
		}
	}
}

// A sinus off by 3 mm is seen where it is; so is a root drawn as a surface.
func TestSurfacesSeenWhereDrawn(t *testing.T) {
	jaw := upperJaw()
	p := plan(25, named("left sinus", casefile.Sinus))
	flags := Check(p, p, []Body{moved(sinus(leftSinus), geom.Vec{X: 2, Y: 2, Z: -1})}, jaw)
	require.Len(t, flags, 1)
	assert.Contains(t, flags[0].Message, "the planning scan shows a sinus 3.0 mm from there")
}
