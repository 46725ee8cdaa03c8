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

// wallNotInBone is the reason of a wall beside which there is no bone as far as the axis.
const wallNotInBone = "not-in-bone"

// Outside reports whether a wall is surely outside the bone.
func (w *Wall) Outside() bool {
	return w.First == nil && (w.High != nil && *w.High < 0 || w.Why == wallNotInBone)
}

// LeastBuccal is the least bone to buccal, mm, over the depths at which some of the wall is
// in bone: what stands above the crest does not count. It may be less where atMost is true:
// at some depth the plate is too thin for the scan, there is none as far as the axis, by the
// fixture's radius, or it could not be read, as near metal. Nil where none is known.
func (a *Around) LeastBuccal(radius float64) (least *float64, atMost bool) {
	if a == nil {
		return nil, false
	}
	inBone := map[float64]bool{}
	for i := range a.Wall {
		w := &a.Wall[i]
		inBone[w.Depth] = inBone[w.Depth] || !w.Outside()
	}
	for i := range a.Wall {
		w := &a.Wall[i]
		if w.Direction != "buccal" || w.First != nil || !inBone[w.Depth] {
			continue
		}
		known := w.Bone
		switch {
		case known != nil:
		case w.Why == wallNotInBone:
			known, atMost = new(-radius), true
		case w.High != nil:
			known, atMost = w.High, true
		case w.Low == nil: // else it is farther than is looked
			atMost = true
		}
		if known != nil && (least == nil || *known < *least) {
			least = known
		}
	}
	return least, atMost && least != nil
}
