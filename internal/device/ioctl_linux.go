package device

import (
	"errors"
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

// told is what the kernel says of an open block device through its descriptor.
type told struct {
	dev         DevNumber
	sizeBytes   int64
	sectorBytes int64
	readOnly    bool
	diskSeq     uint64 // 0 where the kernel does not count media
}

// askKernel asks through the descriptor, which no change of names can lead astray.
func askKernel(f *os.File) (told, error) {
	var t told
	err := onDescriptor(f, func(fd int) error {
		var st unix.Stat_t
		if err := unix.Fstat(fd, &st); err != nil {
			return fmt.Errorf("fstat: %w", err)
		}
		t.dev = devNumber(uint64(st.Rdev))
		size, err := unix.IoctlGetUint64(fd, unix.BLKGETSIZE64)
		if err != nil || size > 1<<63-1 {
			return fmt.Errorf("size %d: %w", size, errors.Join(err))
		}
		t.sizeBytes = int64(size)
		sector, err := unix.IoctlGetUint32(fd, unix.BLKSSZGET)
		if err != nil {
			return fmt.Errorf("sector size: %w", err)
		}
		t.sectorBytes = int64(sector)
		readOnly, err := unix.IoctlGetUint32(fd, unix.BLKROGET)
		if err != nil {
			return fmt.Errorf("write protection: %w", err)
		}
		t.readOnly = readOnly != 0
		t.diskSeq, err = unix.IoctlGetUint64(fd, unix.BLKGETDISKSEQ)
		if errors.Is(err, unix.ENOTTY) || errors.Is(err, unix.EINVAL) {
			t.diskSeq, err = 0, nil // a kernel before 5.15
		}
		if err != nil {
			return fmt.Errorf("media count: %w", err)
		}
		return nil
	})
	return t, err
}

// contradictions lists where the descriptor and sysfs disagree. They never may.
func (t told) contradictions(d *Disk) []string {
	var reasons []string
	differ := func(what string, opened, listed any) {
		if opened != listed {
			reasons = append(reasons, fmt.Sprintf("its %s is %v when opened, but %v in the kernel's list", what, opened, listed))
		}
	}
	differ("device number", t.dev, d.Dev)
	differ("size in bytes", t.sizeBytes, d.SizeBytes)
	differ("sector size", t.sectorBytes, d.LogicalSectorBytes)
	differ("write protection", t.readOnly, d.ReadOnly)
	differ("media count", t.diskSeq, d.DiskSeq)
	return reasons
}

// control sends a request that takes and gives nothing.
func control(f *os.File, request uint) error {
	return onDescriptor(f, func(fd int) error { return unix.IoctlSetInt(fd, request, 0) })
}

// onDescriptor lends the descriptor while the file is sure to be open.
func onDescriptor(f *os.File, use func(fd int) error) error {
	conn, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var inner error
	if err := conn.Control(func(fd uintptr) { inner = use(int(fd)) }); err != nil {
		return err
	}
	return inner
}

// KernelRelease gives the release of the running kernel, as records keep it.
func KernelRelease() (string, error) {
	var name unix.Utsname
	if err := unix.Uname(&name); err != nil {
		return "", fmt.Errorf("kernel release: %w", err)
	}
	return unix.ByteSliceToString(name.Release[:]), nil
}
