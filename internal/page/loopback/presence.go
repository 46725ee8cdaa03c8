package loopback

import (
	"sync"
	"time"
)

// Presence knows whether anybody still looks at a page. Open pages say so every few
// seconds, and say when they go.
type Presence struct {
	now func() time.Time

	mu    sync.Mutex
	pages map[string]time.Time // until when each page is taken to be there
	last  time.Time            // when the last one was there
	work  int                  // tasks that go on without a page
	over  chan struct{}
	once  sync.Once
}

const (
	// alone is how long the server goes on without a page.
	alone = time.Minute
	// silent is after how long a page that says nothing is gone: browsers let a hidden
	// page's timers run once a minute.
	silent = 3 * time.Minute
	// unscripted is how long a page without scripts, which cannot say anything, counts.
	unscripted = 30 * time.Minute
	// beginning is how long the first page may take to come.
	beginning = 5 * time.Minute
)

func newPresence(now func() time.Time) *Presence {
	return &Presence{now: now, pages: map[string]time.Time{}, last: now().Add(beginning - alone), over: make(chan struct{})}
}

// mostPages bounds the pages that are remembered.
const mostPages = 1000

// Here notes that a page is open.
func (p *Presence) Here(page string) { p.until(page, silent) }

// Unscripted notes a page that cannot say that it is open.
func (p *Presence) Unscripted() { p.until("", unscripted) }

func (p *Presence) until(page string, d time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.pages) < mostPages {
		p.pages[page] = p.now().Add(d)
	}
	p.last = p.now()
}

// Left notes that a page was closed or gave way to another.
func (p *Presence) Left(page string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	delete(p.pages, page)
	p.last = p.now()
}

// Working keeps the server until done is called.
func (p *Presence) Working() (done func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.work++
	return sync.OnceFunc(func() {
		p.mu.Lock()
		defer p.mu.Unlock()
		p.work--
		p.last = p.now()
	})
}

// End ends the server now.
func (p *Presence) End() { p.once.Do(func() { close(p.over) }) }

// Gone is closed once nobody has been there for a minute, or End was called. The first
// call begins to watch.
func (p *Presence) Gone() <-chan struct{} {
	go func() {
		tick := time.NewTicker(time.Second)
		defer tick.Stop()
		for {
			select {
			case <-p.over:
				return
			case <-tick.C:
				if p.deserted() {
					p.End()
				}
			}
		}
	}()
	return p.over
}

// deserted reports whether the last page has been gone for long enough.
func (p *Presence) deserted() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := p.now()
	for page, until := range p.pages {
		if now.After(until) {
			delete(p.pages, page)
			p.last = now
		}
	}
	return len(p.pages) == 0 && p.work == 0 && now.Sub(p.last) >= alone
}
