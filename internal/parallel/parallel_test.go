package parallel

import (
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestEveryCallIsMadeOnce(t *testing.T) {
	for _, n := range []int{0, 1, 2, 1000} {
		calls := make([]int32, n)
		For(n, func(i int) { atomic.AddInt32(&calls[i], 1) })
		for i, c := range calls {
			require.EqualValues(t, 1, c, "call %d of %d", i, n)
		}
	}
}

// recovered gives what f panics with.
func recovered(f func()) (r any) {
	defer func() { r = recover() }()
	f()
	return nil
}

func guilty() { panic("a stray index") }

func TestPanicReachesTheCaller(t *testing.T) {
	var begun atomic.Int32
	r := recovered(func() {
		For(1<<20, func(i int) {
			begun.Add(1)
			if i == 3 {
				guilty()
			}
		})
	})
	p, ok := r.(*Panic)
	require.True(t, ok, "%v", r)
	assert.Equal(t, "a stray index", p.Value)
	assert.EqualError(t, p, "a stray index")
	assert.Contains(t, string(p.Stack), "parallel.guilty", "the place is told")
	assert.Less(t, begun.Load(), int32(1<<20), "no further calls are begun")
}

func TestPanicWithinSharedWorkKeepsItsPlace(t *testing.T) {
	r := recovered(func() {
		For(2, func(int) { For(2, func(int) { guilty() }) })
	})
	p, ok := r.(*Panic)
	require.True(t, ok)
	assert.Equal(t, "a stray index", p.Value)
	assert.Contains(t, string(p.Stack), "parallel.guilty")
}
