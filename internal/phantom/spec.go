package phantom

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"plumbline/internal/geom"
)

// Cap is what is fixed on a fixture's platform at the follow-up scan.
type Cap string

const (
	NoCap         Cap = ""
	CoverScrew    Cap = "cover-screw"    // a flat lid as wide as the platform
	Healing       Cap = "healing"        // an abutment that flares through the gum
	AbutmentCrown Cap = "abutment-crown" // an abutment with a cobalt-chromium crown
)

// Touch is foreign metal in contact with the first fixture at the follow-up
// scan.
type Touch string

const (
	NoTouch    Touch = ""
	TouchCrown Touch = "crown" // the neighbouring tooth's new metal crown lies against the fixture's coronal flank
	TouchPost  Touch = "post"  // a metal post in the neighbouring root lies against its middle
)

// Before is what the planning scan shows at the first fixture's site.
type Before string

const (
	Healed Before = ""       // a healed ridge
	Socket Before = "socket" // an extraction socket that has filled by the follow-up scan
	Tooth  Before = "tooth"  // a tooth that is taken out between the scans
)

// Fixture is one fixture as planned and as placed. Its axis at zero Lean is
// the jaw's own apical direction at the site.
type Fixture struct {
	Site             string  // ISO 3950
	Diameter, Length float64 // mm; diameter over the thread crests at the platform
	Taper            float64 // crest radius at the apex over that at the platform, 0.5 to 1
	ApexRound        float64 // radius of the rounded apical edge, mm
	ThreadDepth      float64 // mm
	Pitch            float64 // of the helical thread, mm
	BoreRadius       float64 // of the internal bore, mm; 0 = none
	BoreDepth        float64 // mm, from the platform
	Cap              Cap
	CapHeight        float64 // coronally of the platform, mm
	CapWider         float64 `json:",omitempty"` // diameter of the cap's foot, over a usual one's, which is 0.2 mm narrower than the platform, mm
	Collar           float64 `json:",omitempty"` // smooth coronal part without thread, mm; 0 = 1

	Lean [2]float64 // planned lean of the apex to mesial and to buccal, degrees
	Sink float64    // planned depth of the platform below the ridge's top, mm
	Gap  float64    // from the envelope of the fixture before it in the list, mm; 0 = placed by its site

	Entry [3]float64 // achieved minus planned entry: to mesial, to buccal, deeper, mm
	Tilt  [2]float64 // achieved axis against planned: the apex to mesial and to buccal, degrees

	Missing  bool   // planned, but not there at the follow-up scan
	Guidance string // as the case file has it; "" = freehand
}

// Scan is how one volume is taken.
type Scan struct {
	Voxel         float64    // edge in the slice, mm
	Slice         float64    // slice spacing, mm; 0 = Voxel
	Width, Height float64    // field of view: diameter across, height along z, mm
	Shift         geom.Vec   // of the field's middle from its usual place, jaw frame, mm
	Turn          geom.Vec   // how the head is turned: rotation vector about the arch's middle, degrees
	Move          geom.Vec   // where the arch's middle lies, patient coordinates of this scan, mm
	Opening       float64    // mouth opening, degrees about the hinge
	Slide         [3]float64 // the lower jaw's slide against the upper: left, back, up, mm

	Noise     float64 // standard deviation in soft tissue amid the field, grey values before Gain
	Blur      float64 // full width at half height of the point spread, mm
	Gain      float64 // grey value a unit of 1000·(µ/µ(water) − 1)
	Offset    float64 // grey value added
	Clip12    bool    // grey values end at 3095, as stored in twelve bits
	Motion    float64 // the head moves by this much for part of the scan, mm
	Drift     float64 `json:",omitempty"` // standard deviation of the head's place along each axis while the source turns, mm
	DriftTurn float64 `json:",omitempty"` // and of its rotation about each, degrees
	Streaks   float64 // strength of beam hardening, scatter and photon starvation: 0 none, 1 as computed
}

// Spec is one case. Everything that is not stated here, such as the teeth's
// shapes, follows from Seed.
type Spec struct {
	Seed       uint64
	Case       string    // pseudonym; "" = from Seed
	Clinician  string    // pseudonym; "" = clinician-a
	Placed     string    // ISO date of surgery and of the follow-up scan; "" = 2026-01-15
	Fixtures   []Fixture // all in the same jaw
	Pre, Post  Scan
	Edentulous bool     // no teeth in the fixtures' jaw
	Absent     []string // further teeth that neither scan has
	Spine      bool
	FarCrown   string // site of a cobalt-chromium crown that both scans have; "" = none
	NewCrown   string // site of one that only the follow-up scan has; "" = none
	Touch      Touch
	Before     Before
	Graft      bool // mineral granules buccal of the first fixture, follow-up scan only

	Surface *SurfaceScan `json:",omitempty"` // beside the follow-up scan or in its place; nil for none
}

// Usual is a plain case to start from: one fixture of 4.1 × 10 mm at a site,
// 0.3 mm voxels, moderate noise, the head turned by some degrees, no metal
// besides the fixture, and a placement about a millimetre off.
func Usual(site string) Spec {
	return Spec{
		Seed:     1,
		Fixtures: []Fixture{UsualFixture(site)},
		Pre: Scan{
			Voxel: 0.3, Width: 66, Height: 45, Opening: 4,
			Turn: geom.Vec{X: 2, Y: -1, Z: 3}, Move: geom.Vec{X: 1.5, Y: 6, Z: -4},
			Noise: 40, Blur: 0.45, Gain: 1, Offset: 0, Streaks: 1,
		},
		Post: Scan{
			Voxel: 0.3, Width: 66, Height: 45, Opening: 7,
			Turn: geom.Vec{X: -6, Y: 4, Z: 9}, Move: geom.Vec{X: -11, Y: 14, Z: 9},
			Noise: 45, Blur: 0.45, Gain: 1.05, Offset: -30, Streaks: 1,
			Slide: [3]float64{0.3, -0.4, 0},
		},
	}
}

// UsualFixture is a fixture of 4.1 × 10 mm that is placed about a millimetre
// off.
func UsualFixture(site string) Fixture {
	return Fixture{
		Site: site, Diameter: 4.1, Length: 10, Taper: 0.9, ApexRound: 0.8,
		ThreadDepth: 0.3, Pitch: 0.8, BoreRadius: 1.0, BoreDepth: 4.5,
		Entry: [3]float64{0.4, -0.5, 0.3}, Tilt: [2]float64{2, -2.5},
	}
}

// Upper reports whether the case's fixtures are in the upper jaw.
func (s Spec) Upper() bool {
	return len(s.Fixtures) > 0 && len(s.Fixtures[0].Site) == 2 && s.Fixtures[0].Site[0] <= '2'
}

// Check is the first error in s, nil for a valid one.
//
// Errors: one that names the field, its value and what is expected.
func (s Spec) Check() error {
	if len(s.Fixtures) == 0 {
		return fmt.Errorf("fixtures: there are none, expected at least one")
	}
	if _, err := time.Parse(time.DateOnly, s.placed()); err != nil {
		return fmt.Errorf("placed %q: expected a date such as 2026-01-15", s.Placed)
	}
	for i, f := range s.Fixtures {
		if err := f.check(); err != nil {
			return fmt.Errorf("fixture %d: %w", i+1, err)
		}
		for k, g := range s.Fixtures[:i] {
			if f.Site == g.Site {
				return fmt.Errorf("fixture %d: site %s is also the site of fixture %d; each site can have one", i+1, f.Site, k+1)
			}
		}
		if upper := f.Site[0] <= '2'; upper != s.Upper() {
			return fmt.Errorf("fixture %d: site %s is in the other jaw than site %s; a case has one jaw", i+1, f.Site, s.Fixtures[0].Site)
		}
	}
	if f := s.Fixtures[0]; s.Touch != NoTouch && f.Missing {
		return fmt.Errorf("touch %q: the first fixture is missing, so nothing can touch it", s.Touch)
	}
	switch s.Touch {
	case NoTouch, TouchCrown, TouchPost:
	default:
		return fmt.Errorf("touch %q: expected %q or %q", s.Touch, TouchCrown, TouchPost)
	}
	switch s.Before {
	case Healed, Socket, Tooth:
	default:
		return fmt.Errorf("before %q: expected %q or %q", s.Before, Socket, Tooth)
	}
	for _, site := range append([]string{s.FarCrown, s.NewCrown}, s.Absent...) {
		if site != "" && !validSite(site) {
			return fmt.Errorf("site %q: expected a tooth from 11 to 48 (ISO 3950)", site)
		}
	}
	if err := s.Pre.check(); err != nil {
		return fmt.Errorf("planning scan: %w", err)
	}
	if err := s.Post.check(); err != nil {
		return fmt.Errorf("follow-up scan: %w", err)
	}
	if s.Surface != nil {
		if err := s.Surface.check(); err != nil {
			return fmt.Errorf("surface scan: %w", err)
		}
	}
	return nil
}

func (f Fixture) check() error {
	if !validSite(f.Site) {
		return fmt.Errorf("site %q: expected a tooth from 11 to 48 (ISO 3950)", f.Site)
	}
	switch f.Cap {
	case NoCap, CoverScrew, Healing, AbutmentCrown:
	default:
		return fmt.Errorf("cap %q: expected %q, %q or %q", f.Cap, CoverScrew, Healing, AbutmentCrown)
	}
	switch f.Guidance {
	case "", "full-guide", "pilot-guide", "freehand", "navigated":
	default:
		return fmt.Errorf("guidance %q: expected full-guide, pilot-guide, freehand or navigated", f.Guidance)
	}
	capLow := 0.0
	if f.Cap != NoCap {
		capLow = 0.05
	}
	return checkLimits([]limit{
		{"diameter", f.Diameter, 2, 8, "mm"},
		{"length", f.Length, 4, 60, "mm"},
		{"taper", f.Taper, 0.5, 1, ""},
		{"apex rounding", f.ApexRound, 0, f.Diameter * f.Taper / 2, "mm"},
		{"thread depth", f.ThreadDepth, 0, f.Diameter * f.Taper / 4, "mm"},
		{"pitch", f.Pitch, 0.3, 3, "mm"},
		{"bore radius", f.BoreRadius, 0, f.Diameter/2 - f.ThreadDepth - 0.15, "mm"},
		{"bore depth", f.BoreDepth, 0, f.Length - 1, "mm"},
		{"cap height", f.CapHeight, capLow, 12, "mm"},
		{"cap's surplus width", f.CapWider, 0.2 - f.Diameter/2, 4, "mm"},
		{"collar", f.Collar, 0, 5, "mm"},
		{"gap", f.Gap, 0, 20, "mm"},
		{"sink", f.Sink, -5, 10, "mm"},
		{"lean to mesial", f.Lean[0], -60, 60, "degrees"},
		{"lean to buccal", f.Lean[1], -60, 60, "degrees"},
		{"tilt to mesial", f.Tilt[0], -60, 60, "degrees"},
		{"tilt to buccal", f.Tilt[1], -60, 60, "degrees"},
		{"entry to mesial", f.Entry[0], -10, 10, "mm"},
		{"entry to buccal", f.Entry[1], -10, 10, "mm"},
		{"entry deeper", f.Entry[2], -10, 10, "mm"},
	})
}

func (c Scan) check() error {
	return checkLimits([]limit{
		{"voxel", c.Voxel, 0.05, 2, "mm"},
		{"slice spacing", c.sliceStep(), 0.05, 3, "mm"},
		{"field width", c.Width, 20, 200, "mm"},
		{"field height", c.Height, 15, 200, "mm"},
		{"opening", c.Opening, 0, 35, "degrees"},
		{"noise", c.Noise, 0, 1000, "grey values"},
		{"blur", c.Blur, 0, 3, "mm"},
		{"gain", c.Gain, 0.05, 5, ""},
		{"offset", c.Offset, -2000, 2000, "grey values"},
		{"motion", c.Motion, 0, 3, "mm"},
		{"drift", c.Drift, 0, 3, "mm"},
		{"drift's turn", c.DriftTurn, 0, 3, "degrees"},
		{"streaks", c.Streaks, 0, 3, ""},
		{"turn about x", c.Turn.X, -180, 180, "degrees"},
		{"turn about y", c.Turn.Y, -180, 180, "degrees"},
		{"turn about z", c.Turn.Z, -180, 180, "degrees"},
		{"move in x", c.Move.X, -1000, 1000, "mm"},
		{"move in y", c.Move.Y, -1000, 1000, "mm"},
		{"move in z", c.Move.Z, -1000, 1000, "mm"},
		{"shift in x", c.Shift.X, -100, 100, "mm"},
		{"shift in y", c.Shift.Y, -100, 100, "mm"},
		{"shift in z", c.Shift.Z, -100, 100, "mm"},
		{"slide to the left", c.Slide[0], -10, 10, "mm"},
		{"slide back", c.Slide[1], -10, 10, "mm"},
		{"slide up", c.Slide[2], -10, 10, "mm"},
	})
}

// sliceStep is the slice spacing, mm.
func (c Scan) sliceStep() float64 {
	if c.Slice == 0 {
		return c.Voxel
	}
	return c.Slice
}

type limit struct {
	name      string
	value     float64
	low, high float64
	unit      string
}

func checkLimits(limits []limit) error {
	for _, l := range limits {
		if !(l.value >= l.low && l.value <= l.high) { // catches NaN too
			unit := l.unit
			if unit != "" {
				unit = " " + unit
			}
			return fmt.Errorf("%s is %g%s, expected %.4g to %.4g%s", l.name, l.value, unit, l.low, l.high, unit)
		}
	}
	return nil
}

func validSite(site string) bool {
	n, err := strconv.Atoi(site)
	return err == nil && len(site) == 2 && n/10 >= 1 && n/10 <= 4 && n%10 >= 1 && n%10 <= 8
}

// sigma is the standard deviation of the Gaussian point spread, mm.
func (c Scan) sigma() float64 { return c.Blur / (2 * math.Sqrt(2*math.Ln2)) }
