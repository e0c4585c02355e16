package device

import (
	"io/fs"
	"syscall"

	"golang.org/x/sys/unix"
)

// blockNumber gives the device number of a block device's node; false for anything else.
func blockNumber(info fs.FileInfo) (DevNumber, bool) {
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok || !blockMode(info.Mode()) {
		return DevNumber{}, false
	}
	return devNumber(uint64(st.Rdev)), true
}

func devNumber(raw uint64) DevNumber {
	return DevNumber{Major: unix.Major(raw), Minor: unix.Minor(raw)}
}
