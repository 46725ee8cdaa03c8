package page

import (
	"html/template"
	"sync"

	"plumbline/internal/report"
)

// What stands beside the cases: what words mean, and the demo.

// wordsView is the glossary.
type wordsView struct {
	frame
	Report template.HTML
}

func (p *Page) words(r *request) error {
	first, rest := report.Words().Parts(1)
	return p.view(r, "words", wordsView{frame{Title: "Words"}, first + rest})
}

// demo is the demo as far as it was asked for.
type demo struct {
	make func() (string, error)

	mu      sync.Mutex
	making  bool
	address string
	failed  string
}

// demoView says how far the demo is.
type demoView struct {
	frame
	Making          bool
	Address, Failed string
}

func (p *Page) demoView(r *request) error {
	if p.demo.make == nil {
		return errNotHere
	}
	p.demo.mu.Lock()
	v := demoView{frame{Title: "The demo"}, p.demo.making, p.demo.address, p.demo.failed}
	p.demo.mu.Unlock()
	if v.Making {
		r.ResponseWriter.Header().Set("Refresh", "2")
	}
	return p.view(r, "demo", v)
}

// makeDemo begins to make the demo, once at a time. An address lets one browser in once, so
// each time that somebody asks there is another.
func (p *Page) makeDemo(r *request) error {
	if p.demo.make == nil {
		return errNotHere
	}
	p.demo.mu.Lock()
	defer p.demo.mu.Unlock()
	if !p.demo.making {
		p.demo.making, p.demo.address, p.demo.failed = true, "", ""
		done := p.presence.Working()
		go func() {
			defer done()
			address, err := p.demo.make()
			p.demo.mu.Lock()
			defer p.demo.mu.Unlock()
			p.demo.making = false
			if err != nil {
				p.demo.failed = sentence(err)
			} else {
				p.demo.address = address
			}
		}()
	}
	return r.to("/demo")
}
