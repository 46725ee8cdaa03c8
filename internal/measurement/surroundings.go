package measurement

// Surroundings are what a fixture stands in, read from the planning scan, which shows no
// metal of it.
type Surroundings struct {
	Planned  *Around `json:"planned,omitempty"`
	Achieved *Around `json:"achieved,omitempty"`
}

// Around is what lies around one pose. A distance that could not be had is absent, and
// its Why says why.
type Around struct {
	Wall   []Wall  `json:"wall,omitempty"`
	Crest  []Crest `json:"crest,omitempty"`
	Apical *Apical `json:"apical,omitempty"`
	// ApicalMM is the bone beyond the apex on the axis, mm; negative where the apex is
	// beyond it.
	ApicalMM *float64 `json:"apical_mm,omitempty"`
}

// Wall is the bone from a fixture's wall to its outer surface at one depth below the
// platform, in one direction about the axis; negative where the wall is outside. Where
// Resolved is false the plate is too thin for the scan, and High is all that is known.
type Wall struct {
	Depth     float64   `json:"depth_mm"`
	Direction string    `json:"direction"`
	Bone      *float64  `json:"bone_mm,omitempty"`
	Low       *float64  `json:"low95_mm,omitempty"`
	High      *float64  `json:"high95_mm,omitempty"`
	Resolved  bool      `json:"resolved"`
	First     *Obstacle `json:"first,omitempty"`
	Why       string    `json:"why,omitempty"`
}

// Obstacle is what a ray meets before the bone's outer surface, and its distance from the
// fixture's wall or apex, mm.
type Obstacle struct {
	What string  `json:"what"` // root, canal, sinus or nasal-cavity
	MM   float64 `json:"mm"`
}

// Crest is how far the bone's crest lies above the platform just outside the wall, mm;
// negative where the platform stands above it.
type Crest struct {
	Direction string   `json:"direction"`
	Crest     *float64 `json:"crest_mm,omitempty"`
	Low       *float64 `json:"low95_mm,omitempty"`
	High      *float64 `json:"high95_mm,omitempty"`
	Why       string   `json:"why,omitempty"`
}

// Apical is the interval of the bone beyond the apex, and what ends it where that is not
// the outer surface.
type Apical struct {
	Low   *float64  `json:"low95_mm,omitempty"`
	High  *float64  `json:"high95_mm,omitempty"`
	First *Obstacle `json:"first,omitempty"`
	Why   string    `json:"why,omitempty"`
}

// LeastBuccal is the least bone to buccal over the depths, mm, by its distance or, where the
// plate is too thin for the scan, the bound on it; nil where none is known.
func (a *Around) LeastBuccal() *float64 {
	if a == nil {
		return nil
	}
	var out *float64
	for i := range a.Wall {
		w := &a.Wall[i]
		known := w.Bone
		if known == nil {
			known = w.High
		}
		if w.Direction == "buccal" && w.First == nil && known != nil && (out == nil || *known < *out) {
			out = known
		}
	}
	return out
}
