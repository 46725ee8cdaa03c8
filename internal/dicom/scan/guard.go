package scan

import (
	"fmt"
	"runtime"
	"sync"
	"sync/atomic"
)

// guard runs f and turns a panic into an error: damaged files must not end the
// program.
func guard(f func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("the file is damaged in a way that was not foreseen (%v); export it again", p)
		}
	}()
	return f()
}

// parallel runs f for 0 to n-1 on all processors and returns the error of the
// lowest index. After an error no further ones are begun.
func parallel(n int, f func(i int) error) error {
	var next atomic.Int64
	var failed atomic.Bool
	errs := make([]error, n)
	var wg sync.WaitGroup
	for range min(n, runtime.GOMAXPROCS(0)) {
		wg.Go(func() {
			for !failed.Load() {
				i := int(next.Add(1)) - 1
				if i >= n {
					return
				}
				if errs[i] = guard(func() error { return f(i) }); errs[i] != nil {
					failed.Store(true)
				}
			}
		})
	}
	wg.Wait()
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}
