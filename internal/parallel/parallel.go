// Package parallel shares work out to all processors and keeps its panics in
// hand: a panic in a goroutine of its own would end the program with a raw
// trace, so it is carried to the goroutine that asked, whose recover sees it.
package parallel

import (
	"fmt"
	"runtime"
	"runtime/debug"
	"sync"
	"sync/atomic"
)

// Panic is what For panics with when one of its calls panicked.
type Panic struct {
	Value any    // what the call panicked with
	Stack []byte // where
}

func (p *Panic) Error() string { return fmt.Sprint(p.Value) }

// For runs f(0) … f(n−1) on all processors and returns when all have ended. Each
// call must write only to its own place, so that the outcome does not depend on
// their order.
//
// A panic of a call is raised again here, as a *Panic, once the calls under way
// have ended; no further ones are begun.
func For(n int, f func(i int)) {
	var next atomic.Int64
	var failed atomic.Pointer[Panic]
	var wg sync.WaitGroup
	for range min(n, runtime.GOMAXPROCS(0)) {
		wg.Go(func() {
			defer func() {
				if r := recover(); r != nil {
					failed.CompareAndSwap(nil, caught(r))
				}
			}()
			for failed.Load() == nil {
				i := int(next.Add(1)) - 1
				if i >= n {
					return
				}
				f(i)
			}
		})
	}
	wg.Wait()
	if p := failed.Load(); p != nil {
		panic(p)
	}
}

// caught keeps the place of the first panic where work is shared out again
// within shared work.
func caught(r any) *Panic {
	if p, ok := r.(*Panic); ok {
		return p
	}
	return &Panic{r, debug.Stack()}
}
