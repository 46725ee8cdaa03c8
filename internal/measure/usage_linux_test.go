package measure_test

import (
	"os"
	"regexp"
	"strconv"
	"syscall"
	"time"
)

var highWater = regexp.MustCompile(`VmHWM:\s*(\d+) kB`)

// resetPeak makes the kernel forget how much memory the process has had (proc(5),
// clear_refs).
func resetPeak() bool { return os.WriteFile("/proc/self/clear_refs", []byte("5"), 0) == nil }

// peakMemory is the most memory that the process has had since resetPeak, bytes.
func peakMemory() int64 {
	status, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return 0
	}
	m := highWater.FindSubmatch(status)
	if m == nil {
		return 0
	}
	kB, err := strconv.ParseInt(string(m[1]), 10, 64)
	if err != nil {
		return 0
	}
	return kB * 1024
}

// processorTime is that of the process, user and system.
func processorTime() time.Duration {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
