package main

import (
	"errors"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"
)

// TestIdentifyOpensNoOtherDisk has the kernel tell whoever opens the node of another reader: a card there that does not answer would
// hold the command up, and cannot be waited for with a limit.
func TestIdentifyOpensNoOtherDisk(t *testing.T) {
	roots := slots(t)
	watch, err := unix.InotifyInit1(unix.IN_NONBLOCK | unix.IN_CLOEXEC)
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(watch)
	for _, other := range []string{"sdb", "mmcblk1"} {
		if _, err := unix.InotifyAddWatch(watch, filepath.Join(roots.Dev, other), unix.IN_OPEN); err != nil {
			t.Fatal(err)
		}
	}
	identified(t, roots, filepath.Join(roots.Dev, "mmcblk0"))
	if n, err := unix.Read(watch, make([]byte, 4096)); !errors.Is(err, unix.EAGAIN) {
		t.Errorf("another disk was opened: %d bytes of events, %v", n, err)
	}
}
