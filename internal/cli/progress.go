package cli

import (
	"fmt"
	"sync"
	"time"

	"github.com/schollz/progressbar/v3"
)

// patience is how long a command may stay silent.
const patience = time.Second

// progress shows what is being done on anything that takes longer than a
// second: a line that is redrawn on a terminal, a line a step elsewhere.
type progress struct {
	env    Env
	began  time.Time
	cancel func() bool // of the call to late

	mu       sync.Mutex
	step     string
	fraction float64
	slow     bool // patience is over
	ended    bool
	shown    string // the last step that got a line
	bar      *progressbar.ProgressBar
}

func newProgress(env Env) *progress {
	p := &progress{env: env, began: env.Now()}
	p.cancel = env.Later(patience, p.late)
	return p
}

// late shows a step that is at work when patience ends.
func (p *progress) late() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.slow = true
	if p.step != "" {
		p.draw()
	}
}

// show tells the step and the share of the whole that is done.
func (p *progress) show(step string, fraction float64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.step, p.fraction = step, fraction
	p.slow = p.slow || p.env.Now().Sub(p.began) >= patience
	if p.slow {
		p.draw()
	}
}

func (p *progress) draw() {
	if p.ended {
		return
	}
	if !p.env.Terminal {
		if p.step != p.shown {
			fmt.Fprintf(p.env.Stderr, "  %3.0f %%  %s\n", 100*p.fraction, p.step)
		}
		p.shown = p.step
		return
	}
	if p.bar == nil {
		p.bar = progressbar.NewOptions(1000, progressbar.OptionSetWriter(p.env.Stderr),
			progressbar.OptionSetWidth(24), progressbar.OptionClearOnFinish(), progressbar.OptionSetPredictTime(true))
	}
	p.bar.Describe(p.step)
	_ = p.bar.Set(int(1000 * p.fraction))
}

// clear takes the line away, so that something else can be printed.
func (p *progress) clear() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.bar != nil {
		_ = p.bar.Clear()
		p.bar = nil
	}
}

// end takes the line away for good.
func (p *progress) end() {
	p.cancel()
	p.clear()
	p.mu.Lock()
	defer p.mu.Unlock()
	p.ended = true
}
