package clearance

import "plumbline/internal/plan/casefile"

// Margin is the clearance asked for.
type Margin struct {
	MM     float64
	Source string // where the figure comes from, in words for a report
}

// usual has the margins by kind. A sinus has none, since a fixture may be meant
// to reach it; nor has a cortical plate or what the program knows nothing of.
var usual = map[casefile.Kind]Margin{
	casefile.Nerve: {2.0, "usual margin; at least 2 mm: Tahmaseb et al., Clin Oral Implants Res 2018, doi 10.1111/clr.13346"},
	// No good source: teaching pages.
	casefile.Root: {1.5, "usual margin, common practice"},
	// Usually traced to Tarnow, Cho and Wallace, J Periodontol 2000; 71:546,
	// cited from memory.
	casefile.FixtureBody: {3.0, "usual margin, common practice"},
}

// MarginOf is the margin of a structure: the case's own, else the usual one of
// its kind, else nil.
func MarginOf(kind casefile.Kind, given *float64) *Margin {
	if given != nil {
		return &Margin{MM: *given, Source: "asked for in the case file"}
	}
	if m, ok := usual[kind]; ok {
		return &m
	}
	return nil
}
