package device

import (
	"errors"
	"fmt"
	"path/filepath"
	"unsafe"

	"cardwright/flash"

	"golang.org/x/sys/unix"
)

var _ flash.Discarder = (*Card)(nil)

// Discard tells the disk that it need not keep what whole sectors hold; what is read there afterwards is anything. It is
// flash.ErrNoDiscard for a regular file and for a disk whose kernel driver takes no discards.
func (c *Card) Discard(offsetBytes, lengthBytes int64) error {
	switch sector := int64(c.sectorBytes); {
	case c.options.ReadOnly:
		return fmt.Errorf("discard on %s: it was opened for reading: %w", c.node, flash.ErrReadOnly)
	case offsetBytes < 0 || lengthBytes <= 0 || lengthBytes > c.sizeBytes-offsetBytes || offsetBytes%sector != 0 || lengthBytes%sector != 0:
		return fmt.Errorf("discard of %d bytes at %d of %s, which holds %d: %w", lengthBytes, offsetBytes, c.node, c.sizeBytes, ErrOutside)
	case c.disk == nil || !c.takesDiscards():
		return fmt.Errorf("%s: %w", c.node, flash.ErrNoDiscard)
	}
	// The kernel's include/uapi/linux/fs.h: the request takes the addresses of two numbers of 64 bits, start and length in bytes.
	span := [2]uint64{uint64(offsetBytes), uint64(lengthBytes)}
	err := onDescriptor(c.file, func(fd int) error {
		_, _, number := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), unix.BLKDISCARD, uintptr(unsafe.Pointer(&span)))
		if number != 0 {
			return number
		}
		return nil
	})
	switch {
	case err == nil:
		return nil
	case errors.Is(err, unix.EOPNOTSUPP):
		return fmt.Errorf("%s: %w: %w", c.node, flash.ErrNoDiscard, err)
	}
	return fmt.Errorf("discard on %s: %w", c.node, classify(err, true))
}

// takesDiscards asks the kernel for the longest discard that the disk takes: 0 for none, after the kernel's
// Documentation/ABI/stable/sysfs-block.
func (c *Card) takesDiscards() bool {
	a := &attributes{dir: filepath.Join(c.options.Roots.Sys, c.disk.SysPath)}
	return a.number("queue/discard_max_bytes") > 0
}
