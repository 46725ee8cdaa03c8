package casefile

// Kind is what a structure is.
type Kind string

const (
	Nerve          Kind = "nerve"
	Sinus          Kind = "sinus"
	Root           Kind = "root"
	FixtureBody    Kind = "fixture"
	Cortex         Kind = "cortex"
	OtherStructure Kind = "other"
)

// Margin is the clearance asked for.
type Margin struct {
	MM     float64
	Source string // where the figure comes from, in words for a report
}

// Find is what the planning scan is asked for in place of a drawn structure.
type Find string

const (
	FindSinus      Find = "sinus"
	FindNasalFloor Find = "nasal-floor"
	FindCanal      Find = "canal"
)

// Kind is what is found.
func (f Find) Kind() Kind {
	switch f {
	case FindSinus:
		return Sinus
	case FindCanal:
		return Nerve
	}
	return OtherStructure
}

// KindSpec says what the program has to know of a kind of structure.
type KindSpec struct {
	Kind    Kind
	Towards string // the way to it, in words
	Called  string // one of it, in words
	// Size is the least and the largest plausible length, mm: from the part that a
	// small field shows to both sides in one file, with room to spare. Common
	// practice, no source.
	Size [2]float64
	// Usual is the margin where the case asks for none; nil for a kind without a
	// usual one. A sinus has none, since a fixture may be meant to reach it; nor has
	// a cortical plate.
	Usual *Margin
	// FromInside: the fixture belongs inside its surface, and leaving it is penetration.
	FromInside bool
	// Inside: how a scan shows its inside, 1 denser than what is around it, -1 darker, 0
	// where neither can be said, as of a fixture that is yet to be placed.
	Inside int
	// BeyondApex: it lies beyond a fixture's apical end, so that it shows which end
	// of a plan is the apex.
	BeyondApex bool
}

// Kinds is the table of all kinds of structure, in the order in which they are listed.
var Kinds = []KindSpec{
	{Kind: Nerve, Towards: "towards the nerve canal", Called: "a canal", Size: [2]float64{5, 200}, Inside: -1, BeyondApex: true,
		Usual: &Margin{2.0, "usual margin; at least 2 mm: Tahmaseb et al., Clin Oral Implants Res 2018, doi 10.1111/clr.13346"}},
	{Kind: Sinus, Towards: "towards the sinus", Called: "a sinus", Size: [2]float64{8, 130}, Inside: -1, BeyondApex: true},
	// No good source: teaching pages.
	{Kind: Root, Towards: "towards the neighbouring root", Called: "a root", Size: [2]float64{4, 60}, Inside: 1,
		Usual: &Margin{1.5, "usual margin, common practice"}},
	// Usually traced to Tarnow, Cho and Wallace, J Periodontol 2000; 71:546,
	// cited from memory.
	{Kind: FixtureBody, Towards: "towards the neighbouring fixture", Called: "a fixture", Size: [2]float64{3, 90},
		Usual: &Margin{3.0, "usual margin, common practice"}},
	{Kind: Cortex, Towards: "towards the cortical plate", Called: "a cortical plate", Size: [2]float64{3, 250}, FromInside: true},
	{Kind: OtherStructure, Towards: "towards another structure", Called: "any structure of a jaw", Size: [2]float64{0.5, 400}},
}

// Spec is the kind's row; that of OtherStructure for a kind that the table lacks.
func (k Kind) Spec() KindSpec {
	for _, s := range Kinds {
		if s.Kind == k {
			return s
		}
	}
	return OtherStructure.Spec()
}

// MarginOf is the margin of a structure: the case's own, else the usual one of
// its kind, else nil.
func MarginOf(kind Kind, given *float64) *Margin {
	if given != nil {
		return &Margin{MM: *given, Source: "asked for in the case file"}
	}
	return kind.Spec().Usual
}

// allKinds are the kinds' names in the order of the table.
func allKinds() []Kind {
	out := make([]Kind, len(Kinds))
	for i, s := range Kinds {
		out[i] = s.Kind
	}
	return out
}
