//go:build !linux

package measure_test

import "time"

// Other systems tell memory and processor time in ways of their own, or not.

func resetPeak() bool { return false }

func peakMemory() int64 { return 0 }

func processorTime() time.Duration { return 0 }
