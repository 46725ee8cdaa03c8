package page

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"strings"
	"sync"
	"time"

	"plumbline/internal/measure"
	"plumbline/internal/measurement"
	"plumbline/internal/output"
	"plumbline/internal/page/practice"
	"plumbline/internal/parallel"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/printable"
	"plumbline/internal/series"
)

// job is the measurement of one case. It goes on when its page is closed.
type job struct {
	mu       sync.Mutex
	step     string
	fraction float64
	began    time.Time
	stopped  bool // by somebody; what goes on is thrown away
	storing  bool // it is too late to stop it
	ended    bool
	err      error
	changed  chan struct{} // closed and made anew at each change
}

func newJob(now time.Time) *job {
	return &job{step: "waiting for its turn", began: now, changed: make(chan struct{})}
}

// update changes a job and tells who watches it.
func (j *job) update(f func()) {
	j.mu.Lock()
	defer j.mu.Unlock()
	f()
	close(j.changed)
	j.changed = make(chan struct{})
}

// told is a job as the page is told of it.
type told struct {
	Step    string  `json:"step"`
	Done    float64 `json:"done"`              // share of the whole
	Seconds float64 `json:"seconds,omitempty"` // that it may still take; left out at the beginning
	Ended   bool    `json:"ended"`
}

// tell says where a job is, and gives a channel that is closed when that changes.
func (j *job) tell(now time.Time) (told, <-chan struct{}) {
	j.mu.Lock()
	defer j.mu.Unlock()
	t := told{Step: j.step, Done: j.fraction, Ended: j.ended || j.stopped}
	// Of the first steps nobody can tell how long the rest takes.
	const telling = 0.15
	if j.fraction >= telling && !t.Ended {
		t.Seconds = now.Sub(j.began).Seconds() * (1 - j.fraction) / j.fraction
	}
	return t, j.changed
}

func (j *job) isStopped() bool {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.stopped
}

// running is the measurement of a case that goes on, nil if there is none. One that was
// stopped comes to its end unseen; another one waits for that.
func (p *Page) running(name string) *job {
	p.mu.Lock()
	defer p.mu.Unlock()
	j := p.jobs[name]
	if j == nil {
		return nil
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.ended || j.stopped {
		return nil
	}
	return j
}

// failed is why the last measurement of a case came to nothing, nil if it did not.
func (p *Page) failed(name string) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	j := p.jobs[name]
	if j == nil {
		return nil
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.stopped {
		return errStopped
	}
	return j.err
}

// measure begins to measure a case, unless it is being measured.
func (p *Page) measure(r *request, c *looked) error {
	switch {
	case c.Fault != nil:
		return c.Fault
	case c.Plan == nil:
		return bad("confirm the plan first")
	case !c.Followed():
		return bad("the follow-up scan comes first")
	}
	if p.running(c.Name) == nil {
		j := newJob(p.now())
		p.mu.Lock()
		p.jobs[c.Name] = j
		p.mu.Unlock()
		done := p.presence.Working()
		go func() {
			defer done()
			err := p.run(c.Case, j)
			j.update(func() { j.ended, j.err = true, err })
		}()
	}
	return r.to(caseAddress(c.Name) + "/result")
}

// errStopped ends a measurement that somebody stopped.
var errStopped = errors.New("the measurement was stopped; nothing was stored")

// measurementFile is what a measurement is stored as.
var measurementFile = output.Kind{Name: "measurement", Own: func(f *os.File) bool { return measurement.Is(f) }}

// run measures a case and stores the measurement as measure --json does.
func (p *Page) run(c *practice.Case, j *job) (err error) {
	defer func() {
		switch v := recover().(type) {
		case nil:
		case *parallel.Panic:
			p.log.Error("an error inside the program", "what", v.Value, "where", string(v.Stack))
			err = errors.New("an error inside the program; nothing was measured. What plumbline printed where it was started says where: please report it")
		default:
			p.log.Error("an error inside the program", "what", v)
			err = errors.New("an error inside the program; nothing was measured. Please report it")
		}
	}()
	p.turn <- struct{}{}
	defer func() { <-p.turn }()
	if j.isStopped() {
		return errStopped
	}
	p.scans.drop()
	j.update(func() { j.began = p.now() })
	o := measure.Options{Version: p.version, Seed: seed, Today: p.now().Format(time.DateOnly), Progress: func(step string, fraction float64) {
		j.update(func() { j.step, j.fraction = step, fraction })
	}}
	in, err := measure.Open(c.Path(), o)
	if err != nil {
		return err
	}
	if j.isStopped() {
		return errStopped
	}
	s, err := measure.Measure(in, o)
	if err != nil {
		return err
	}
	j.update(func() { j.storing = !j.stopped })
	if j.isStopped() {
		return errStopped
	}
	var files output.Run
	return files.Write(c.ResultPath(), measurementFile, func(w io.Writer) error { return printable.WriteJSON(w, s.Result) })
}

// seed is that of the command line where none is given.
const seed = 1

// stop ends the measurement of a case; what it has found so far is thrown away.
func (p *Page) stop(r *request) error {
	name := r.PathValue("case")
	if j := p.running(name); j != nil {
		j.update(func() { j.stopped = !j.storing })
	}
	return r.to(caseAddress(name) + "/follow-up")
}

// progress tells how far the measurement of a case is, as server-sent events.
func (p *Page) progress(r *request) error {
	p.mu.Lock()
	j := p.jobs[r.PathValue("case")]
	p.mu.Unlock()
	if j == nil {
		return errNotHere
	}
	w := r.ResponseWriter
	w.Header().Set("Content-Type", "text/event-stream")
	control := http.NewResponseController(w)
	for {
		t, changed := j.tell(p.now())
		text, err := json.Marshal(t)
		if err != nil {
			return err
		}
		if _, err := fmt.Fprintf(w, "data: %s\n\n", text); err != nil || control.Flush() != nil {
			panic(http.ErrAbortHandler) // the page is gone
		}
		if t.Ended {
			return nil
		}
		select {
		case <-changed:
		case <-r.Context().Done():
			return nil
		}
	}
}

// followUpStation is what the station Follow-up shows.
type followUpStation struct {
	frame
	HasPost, HasSurface, HasPlan, Running bool
	Facts                                 [][2]string
	Odd                                   []string
	Fault, Failed                         string
	Warnings                              []string
	LeftOut                               string
	Placed                                string
	Sealed                                bool
}

func (p *Page) followUpView(r *request, c *looked) error {
	v := followUpStation{frame: p.frame(c, "follow-up", "Follow-up"), HasPost: c.HasPost, HasSurface: c.HasSurface, HasPlan: c.Plan != nil, Running: p.running(c.Name) != nil, Sealed: c.Sealed()}
	if c.LeftOut() {
		v.LeftOut = printable.Plain(c.State.Reason)
	}
	if c.Plan != nil {
		v.Placed = c.Plan.Placed
	}
	if err := p.failed(c.Name); err != nil {
		v.Failed = sentence(err)
	}
	if !c.HasPost {
		return p.view(r, "follow-up", v)
	}
	s, err := p.scanOf(c.Case, practice.FollowUp)
	if err != nil {
		v.Fault = sentence(err)
		return p.view(r, "follow-up", v)
	}
	v.Facts = scanFacts(s.scan)
	for _, f := range s.scan.Flags {
		v.Odd = append(v.Odd, sentence(errors.New(f.Message)))
	}
	if c.Plan != nil && s.scan.Taken != "" && s.scan.Taken < c.Plan.Placed {
		v.Warnings = append(v.Warnings, fmt.Sprintf("This scan was taken on %s, before the surgery of %s: it cannot show the placed fixture.", s.scan.Taken, c.Plan.Placed))
	}
	return p.view(r, "follow-up", v)
}

// followUp takes in the follow-up scan.
func (p *Page) followUp(r *request, c *looked) error {
	got, err := p.receive(r, practice.MaxScan)
	if err != nil {
		return err
	}
	defer got.Discard()
	about := c.Plan
	if about == nil {
		about = &casefile.Case{Name: c.Name, Clinician: c.Draft.Clinician}
	}
	if err := got.Check(about); err != nil {
		return err
	}
	if err := got.FollowUp(c.Case); err != nil {
		return err
	}
	return r.to(caseAddress(c.Name) + "/follow-up")
}

// surface takes in a surface scan with its scan body.
func (p *Page) surface(r *request, c *looked) error {
	if c.Plan == nil {
		return bad("confirm the plan first")
	}
	got, err := p.receive(r, 2*practice.MaxMesh)
	if err != nil {
		return err
	}
	defer got.Discard()
	if err := got.Surface(c.Case); err != nil {
		return err
	}
	return r.to(caseAddress(c.Name) + "/follow-up")
}

// leaveOut notes that a case will not be measured.
func (p *Page) leaveOut(r *request, c *looked) error {
	if err := form(r); err != nil {
		return err
	}
	reason := strings.TrimSpace(r.PostForm.Get("reason"))
	if reason == "" {
		return bad("write why the case is left out; the reason stands in every report")
	}
	switch {
	case c.Broken != nil:
		return c.Broken
	case c.LeftOut():
		return bad("it is left out already: %s", c.State.Reason)
	}
	if _, err := c.Ledger.Add(series.Record{Kind: series.LeftOut, Case: c.title(), Reason: reason}); err != nil {
		return err
	}
	return r.to(caseAddress(c.Name) + "/follow-up")
}
