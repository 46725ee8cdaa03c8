package measure

import (
	"fmt"

	"plumbline/internal/deviation"
	"plumbline/internal/result"
)

// directions gives the mesial and buccal directions of fixture i's site, nil
// when they are not known.
func (s *Study) directions(in *Inputs, i int) (*deviation.Directions, []result.Flag) {
	f := in.Plan.Fixtures[i]
	if f.Mesial == nil {
		return nil, []result.Flag{{Code: "directions-not-known", Level: result.Notice,
			Message: fmt.Sprintf("site %s: the mesial direction is not known, so there are no mesiodistal and buccolingual parts; give mesial in case.toml", f.Site)}}
	}
	d, err := deviation.Site(f.Site, f.Planned, *f.Mesial)
	if err != nil {
		return nil, []result.Flag{{Code: "directions-not-known", Level: result.Notice,
			Message: fmt.Sprintf("site %s: %v; there are no mesiodistal and buccolingual parts", f.Site, err)}}
	}
	return &d, nil
}
