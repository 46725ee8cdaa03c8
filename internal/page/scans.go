package page

import (
	"encoding/binary"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/dicom/scan"
	"plumbline/internal/geom"
	"plumbline/internal/page/practice"
	"plumbline/internal/page/reslice"
)

// mostScans is how many scans are kept open: both of one case.
const mostScans = 2

// scans are the scans that were opened last.
type scans struct {
	mu   sync.Mutex
	open []*openScan // the last one used stands last
}

type openScan struct {
	path, mark string
	once       sync.Once
	scan       *scan.Scan
	slicer     *reslice.Slicer
	window     [2]uint16
	err        error
}

// get opens a scan, or gives it again where its files are as they were.
func (s *scans) get(path string) (*openScan, error) {
	mark := markOf(path)
	s.mu.Lock()
	i := slices.IndexFunc(s.open, func(o *openScan) bool { return o.path == path && o.mark == mark })
	var o *openScan
	if i >= 0 {
		o = s.open[i]
		s.open = append(slices.Delete(s.open, i, i+1), o)
	} else {
		o = &openScan{path: path, mark: mark}
		s.open = append(slices.DeleteFunc(s.open, func(old *openScan) bool { return old.path == path }), o)
		s.open = s.open[max(0, len(s.open)-mostScans):]
	}
	s.mu.Unlock()
	o.once.Do(func() {
		if o.scan, o.err = scan.Open(path, scan.Options{}); o.err == nil {
			o.slicer = reslice.New(&o.scan.Volume, o.scan.Low, o.scan.High)
			o.window = o.levels()
		}
	})
	return o, o.err
}

// drop lets go of all scans, for a measurement that opens them itself.
func (s *scans) drop() {
	s.mu.Lock()
	s.open = nil
	s.mu.Unlock()
}

// markOf tells the files of a scan from others at the same path: their names, sizes and
// times.
func markOf(path string) string {
	var b strings.Builder
	_ = filepath.WalkDir(path, func(name string, e os.DirEntry, err error) error {
		if err != nil {
			return nil
		}
		if info, err := e.Info(); err == nil {
			fmt.Fprintln(&b, name, info.Size(), info.ModTime().UnixNano())
		}
		return nil
	})
	return b.String()
}

// The window shows bone: black up to the median of what lies inside the patient, white
// from where the brightest two hundredths begin.
const (
	windowSide = 256 // pixels of the cut that it is found on
	darkest    = 0.30
	brightest  = 0.985
)

// levels are the levels that are shown black and white at first, from the cuts through
// the middle of the scan.
func (o *openScan) levels() [2]uint16 {
	g := o.scan.Grid
	var all []uint16
	extent := 0.0
	for a, n := range g.Size {
		extent = max(extent, float64(n)*g.Spacing()[a])
	}
	for _, up := range []geom.Vec{{Z: 1}, {Y: -1}} {
		c := reslice.Cut{Centre: g.Centre(), Right: geom.Vec{X: 1}, Up: up, Columns: windowSide, Rows: windowSide, Pixel: extent / windowSide}
		for _, l := range o.slicer.Levels(c) {
			if l > 0 {
				all = append(all, l)
			}
		}
	}
	if len(all) == 0 {
		return [2]uint16{1, reslice.Highest}
	}
	slices.Sort(all)
	at := func(share float64) uint16 { return all[int(share*float64(len(all)-1))] }
	return [2]uint16{at(darkest), max(at(brightest), at(darkest)+1)}
}

// scanOf opens a scan of a case: its planning scan, or the follow-up scan.
func (p *Page) scanOf(c *practice.Case, which string) (*openScan, error) {
	switch {
	case which == practice.Planning && c.HasPre:
		return p.scans.get(c.PrePath())
	case which == practice.FollowUp && c.HasPost:
		return p.scans.get(c.PostPath())
	}
	return nil, errNotHere
}

// Bounds on a cut.
const (
	mostPixels = 1024 // a side
	maxPixel   = 2.0  // mm
	minPixel   = 0.02
	farthest   = 1e5 // mm; PS3.3 gives no bound, a patient lies within a scanner
)

// cut answers with the levels of a cut, two bytes a pixel, the lower first. With aligned,
// the plane is one of the planning scan and the follow-up scan is cut where it lies there
// by the measurement.
func (p *Page) cut(r *request) error {
	c, err := p.folder.Case(r.PathValue("case"))
	if err != nil {
		return err
	}
	q := r.URL.Query()
	plane, err := planeOf(q)
	if err != nil {
		return err
	}
	s, err := p.scanOf(c, q.Get("of"))
	if err != nil {
		return err
	}
	if q.Get("of") == practice.FollowUp && c.Result != nil {
		postToPre, err := geom.FromMatrix(c.Result.Alignment.PostToPre)
		if err != nil {
			return err
		}
		plane = plane.Moved(postToPre.Inverse())
	}
	levels := s.slicer.Levels(plane)
	out := make([]byte, 2*len(levels))
	for i, l := range levels {
		binary.LittleEndian.PutUint16(out[2*i:], l)
	}
	r.ResponseWriter.Header().Set("Content-Type", "application/octet-stream")
	r.ResponseWriter.Header().Set("Content-Length", strconv.Itoa(len(out)))
	_, err = r.ResponseWriter.Write(out)
	if err != nil {
		panic(http.ErrAbortHandler) // the browser went on to another cut
	}
	return nil
}

// planeOf reads a plane from an address.
func planeOf(q url.Values) (reslice.Cut, error) {
	var c reslice.Cut
	for name, to := range map[string]*geom.Vec{"at": &c.Centre, "right": &c.Right, "up": &c.Up} {
		v, err := vector(q.Get(name))
		if err != nil {
			return c, bad("%s of the cut: %v", name, err)
		}
		*to = v
	}
	var err error
	if c.Columns, err = strconv.Atoi(q.Get("w")); err != nil || c.Columns < 1 || c.Columns > mostPixels {
		return c, bad("the width of the cut is not within 1 to %d", mostPixels)
	}
	if c.Rows, err = strconv.Atoi(q.Get("h")); err != nil || c.Rows < 1 || c.Rows > mostPixels {
		return c, bad("the height of the cut is not within 1 to %d", mostPixels)
	}
	if c.Pixel, err = strconv.ParseFloat(q.Get("pixel"), 64); err != nil || !(c.Pixel >= minPixel && c.Pixel <= maxPixel) {
		return c, bad("the pixels of the cut are not within %g to %g mm", minPixel, maxPixel)
	}
	const askew = 1e-3
	if math.Abs(r3.Norm(c.Right)-1) > askew || math.Abs(r3.Norm(c.Up)-1) > askew || math.Abs(r3.Dot(c.Right, c.Up)) > askew {
		return c, bad("the directions of the cut are no unit vectors at a right angle")
	}
	return c, nil
}

// vector reads three numbers parted by commas.
func vector(text string) (geom.Vec, error) {
	parts := strings.Split(text, ",")
	if len(parts) != 3 {
		return geom.Vec{}, fmt.Errorf("expected three numbers, as in -24.1,11.3,8")
	}
	var x [3]float64
	for i, part := range parts {
		v, err := strconv.ParseFloat(strings.TrimSpace(part), 64)
		if err != nil || !(math.Abs(v) <= farthest) {
			return geom.Vec{}, fmt.Errorf("expected three numbers, as in -24.1,11.3,8")
		}
		x[i] = v
	}
	return geom.Vec{X: x[0], Y: x[1], Z: x[2]}, nil
}
