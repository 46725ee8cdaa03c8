package series

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// lockAt is far behind any record, as a lock here also keeps readers out.
const lockAt = 0x7fffffff

func region() *windows.Overlapped { return &windows.Overlapped{OffsetHigh: lockAt} }

// lock takes a byte behind the end of the file without waiting.
func lock(f *os.File) error {
	err := windows.LockFileEx(windows.Handle(f.Fd()),
		windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, region())
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
		return errLocked
	}
	return err
}

func unlock(f *os.File) { _ = windows.UnlockFileEx(windows.Handle(f.Fd()), 0, 1, 0, region()) }

// syncFolder has nothing to do: the system writes names with the file.
func syncFolder(string) error { return nil }
