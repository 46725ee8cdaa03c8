package cli

import (
	"fmt"
	"time"

	"github.com/schollz/progressbar/v3"
)

// patience is how long a command may stay silent.
const patience = time.Second

// progress shows what is being done on anything that takes longer than a
// second: a line that is redrawn on a terminal, a line a step elsewhere.
type progress struct {
	env   Env
	began time.Time
	bar   *progressbar.ProgressBar
	step  string
}

func newProgress(env Env) *progress {
	return &progress{env: env, began: env.Now()}
}

// show tells the step and the share of the whole that is done.
func (p *progress) show(step string, fraction float64) {
	if p.env.Now().Sub(p.began) < patience {
		return
	}
	if !p.env.Terminal {
		if step != p.step {
			fmt.Fprintf(p.env.Stderr, "  %3.0f %%  %s\n", 100*fraction, step)
		}
		p.step = step
		return
	}
	if p.bar == nil {
		p.bar = progressbar.NewOptions(1000, progressbar.OptionSetWriter(p.env.Stderr),
			progressbar.OptionSetWidth(24), progressbar.OptionClearOnFinish(), progressbar.OptionSetPredictTime(true))
	}
	p.bar.Describe(step)
	_ = p.bar.Set(int(1000 * fraction))
}

// end takes the line away; show may go on after it.
func (p *progress) end() {
	if p.bar != nil {
		_ = p.bar.Clear()
		p.bar = nil
	}
}
