package reviewpack

import (
	"fmt"

	"plumbline/internal/measurement"
	"plumbline/internal/regularfile"
	"plumbline/internal/series"
)

// Contents is what a pack holds for a person to read.
type Contents struct {
	Series       *series.File        // nil where the pack has relative dates
	Measurements []*measurement.Case // by the names of their files
}

// Read reads the series and the measurements of a pack, within the bounds of one. Whether
// they are as they were packed, Check says.
//
// Errors: a file that is no readable archive, or one without either.
func Read(file string) (*Contents, error) {
	f, err := regularfile.Open(file)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	a, err := openArchive(f, info.Size())
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	c := &Contents{}
	if member, has := a.members[seriesName]; has {
		in, err := member.Open()
		if err != nil {
			return nil, fmt.Errorf("%s: its series file: %s", file, reason(err))
		}
		defer in.Close()
		if c.Series, err = series.Parse(seriesGuard(in)); err != nil {
			return nil, fmt.Errorf("%s: its series file: %w", file, err)
		}
	}
	for _, name := range a.names() {
		if !isMeasurement(name) {
			continue
		}
		if m, err := a.measurement(name); err == nil && len(c.Measurements) < mostFixtures {
			c.Measurements = append(c.Measurements, m)
		}
	}
	if c.Series == nil && len(c.Measurements) == 0 {
		return nil, fmt.Errorf("%s has neither a series nor a measurement", file)
	}
	return c, nil
}
