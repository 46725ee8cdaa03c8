package cli

import (
	"fmt"
	"math"
	"os"
	"path/filepath"

	"plumbline/internal/measure"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	reports "plumbline/internal/report"
)

// pictures makes pictures from the scans of cases, where those are at hand. What was
// measured stays as it was recorded.
type pictures struct {
	folders map[string]string // by the name of the case
	options reports.Options
	version string
	show    func(step string)
	why     []string // a case has no pictures
}

// findCases finds the case folders in what a user names: each one itself, or those
// directly in it.
//
// Errors: a folder that has none.
func findCases(paths []string) (map[string]string, error) {
	out := map[string]string{}
	for _, path := range paths {
		found := 0
		take := func(folder string) {
			if c, err := casefile.Read(folder); err == nil {
				out[c.Name] = folder
				found++
			}
		}
		take(path)
		entries, err := os.ReadDir(path)
		if err != nil && found == 0 {
			return nil, usage("there is no folder %s; name a folder of cases", path)
		}
		for _, e := range entries {
			take(filepath.Join(path, e.Name()))
		}
		if found == 0 {
			return nil, usage("%s holds no case folder that can be read; name the folder that has them", path)
		}
	}
	return out, nil
}

// of are the pictures of a case, nil where they cannot be had, and why then says so.
func (p *pictures) of(c *measurement.Case) *reports.Document {
	d, err := p.try(c)
	if err != nil {
		p.why = append(p.why, fmt.Sprintf("%s is packed without pictures: %v.", c.Case, err))
		return nil
	}
	return d
}

func (p *pictures) try(c *measurement.Case) (*reports.Document, error) {
	folder, has := p.folders[c.Case]
	if !has {
		return nil, fmt.Errorf("its scans are not at hand")
	}
	p.show(c.Case)
	o := measure.Options{PreSeries: c.Inputs.PreSeries, PostSeries: c.Inputs.PostSeries, Version: p.version, Seed: c.Program.Seed}
	in, err := measure.Open(folder, o)
	if err != nil {
		return nil, err
	}
	if !in.Identity().Same(c.Inputs) {
		return nil, fmt.Errorf("%s holds another plan or other scans than were measured", folder)
	}
	s, err := measure.Measure(in, o)
	if err != nil {
		return nil, err
	}
	if !sameFigures(&s.Result, c) {
		return nil, fmt.Errorf("measured anew it has other figures than the record, which version %s of the program made", c.Program.Version)
	}
	s.Result = *c
	for i := range s.Sites {
		s.Sites[i].Figures = &s.Result.Fixtures[i]
	}
	return reports.CasePictures(s, p.options)
}

// sameFigures reports whether two measurements of a case show the same in a picture: its
// pixels are 0.15 mm, of which this is a third.
func sameFigures(a, b *measurement.Case) bool {
	const mm, degrees = 0.05, 0.5
	if len(a.Fixtures) != len(b.Fixtures) {
		return false
	}
	for i := range a.Fixtures {
		x, y := &a.Fixtures[i], &b.Fixtures[i]
		if x.Site != y.Site || (x.Deviation == nil) != (y.Deviation == nil) || (x.Achieved == nil) != (y.Achieved == nil) {
			return false
		}
		if x.Deviation == nil {
			continue
		}
		for f, v := range x.Deviation.All() {
			most := mm
			if f.Unit() == measurement.Degrees {
				most = degrees
			}
			if w := y.Deviation[f]; w == nil || math.Abs(v-*w) > most {
				return false
			}
		}
	}
	return true
}
