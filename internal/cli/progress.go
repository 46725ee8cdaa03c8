package cli

import (
	"fmt"
	"sync"
	"time"

	"github.com/schollz/progressbar/v3"

	"plumbline/internal/printable"
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
	p.step, p.fraction = printable.Plain(step), fraction
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
			line := fmt.Sprintf("  %3.0f %%  %s", 100*p.fraction, p.step)
			printable.Fprintf(p.env.Stderr, "%s\n", shortened(line, width(p.env.StderrWidth)))
		}
		p.shown = p.step
		return
	}
	if p.bar == nil {
		p.bar = progressbar.NewOptions(1000, progressbar.OptionSetWriter(p.env.Stderr),
			progressbar.OptionSetWidth(p.barColumns()), progressbar.OptionClearOnFinish(), progressbar.OptionSetPredictTime(true))
	}
	p.bar.Describe(printable.Line(shortened(p.step, width(p.env.StderrWidth)-besidesColumns-p.barColumns())))
	_ = p.bar.Set(int(1000 * p.fraction))
}

// besidesColumns is what the line has besides the step and the bar: the share,
// the ends of the bar, and two times of up to eight letters, as in 12h34m56s. One
// column stays free, as many terminals begin a new line when the last is written.
const besidesColumns = len(" 100% || [12h34m56s:12h34m56s]") + 1

// barColumns is how long the bar is: a quarter of what there is beside figures,
// within 4 to 24 columns.
func (p *progress) barColumns() int {
	return min(max((width(p.env.StderrWidth)-besidesColumns)/4, 4), 24)
}

// shortened cuts a text that is wider than a number of columns.
func shortened(text string, columns int) string {
	letters := []rune(text)
	if len(letters) <= columns {
		return text
	}
	return string(letters[:max(columns-1, 0)]) + "…"
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
