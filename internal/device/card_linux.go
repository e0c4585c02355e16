package device

import (
	"errors"
	"fmt"
	"io"
	"os"
	"syscall"

	"cardwright/flash"

	"golang.org/x/sys/unix"
)

// hoardBytes is how much may be written through the kernel's cache before it is flushed: without that the kernel takes
// gigabytes at memory speed and says nothing of the card's.
const hoardBytes = 64 << 20

var _ flash.Card = (*Card)(nil)

// A Card is an opened disk or regular file. It holds one descriptor from its judging to Close.
type Card struct {
	file        *os.File
	path        string // as the operator named it
	node        string // with links followed
	options     Options
	disk        *Disk // as judged; nil for a regular file
	info        os.FileInfo
	seat        *seatIn // nil where the operator named the target itself
	sizeBytes   int64
	sectorBytes int
	direct      bool
	unflushed   int64 // bytes written through the cache since the last flush
	description Description
}

// ReadAt reads len(p) bytes at an offset, all of them or an error.
func (c *Card) ReadAt(p []byte, offsetBytes int64) (int, error) {
	if err := c.inside(len(p), offsetBytes); err != nil {
		return 0, err
	}
	n, err := c.file.ReadAt(p, offsetBytes)
	if n < len(p) && (err == nil || errors.Is(err, io.EOF)) {
		err = io.ErrUnexpectedEOF
	}
	if err != nil {
		return n, fmt.Errorf("read of %s: %w", c.node, classify(err, false))
	}
	return n, nil
}

// WriteAt writes len(p) bytes at an offset, all of them or an error, and never beyond the end.
func (c *Card) WriteAt(p []byte, offsetBytes int64) (int, error) {
	if c.options.ReadOnly {
		return 0, fmt.Errorf("write to %s: it was opened for reading: %w", c.node, flash.ErrReadOnly)
	}
	if err := c.inside(len(p), offsetBytes); err != nil {
		return 0, err
	}
	n, err := c.file.WriteAt(p, offsetBytes)
	if n < len(p) && err == nil {
		err = io.ErrShortWrite
	}
	if err != nil {
		return n, fmt.Errorf("write to %s: %w", c.node, classify(err, true))
	}
	if !c.direct {
		if c.unflushed += int64(n); c.unflushed >= hoardBytes {
			return n, c.Flush()
		}
	}
	return n, nil
}

func (c *Card) inside(lengthBytes int, offsetBytes int64) error {
	if offsetBytes < 0 || int64(lengthBytes) > c.sizeBytes-offsetBytes {
		return fmt.Errorf("%d bytes at %d of %s, which holds %d: %w", lengthBytes, offsetBytes, c.node, c.sizeBytes, ErrOutside)
	}
	return nil
}

// Flush returns once everything written so far has reached the medium.
func (c *Card) Flush() error {
	if err := c.file.Sync(); err != nil {
		return fmt.Errorf("flush of %s: %w", c.node, classify(err, true))
	}
	c.unflushed = 0
	return nil
}

// DropCache makes the reads that follow come from the medium. ErrCacheNotDropped says that they may not, which is always
// so for a regular file; any other error is that of a failed flush.
func (c *Card) DropCache() error {
	if err := c.Flush(); err != nil {
		return err
	}
	if c.disk != nil {
		if err := control(c.file, unix.BLKFLSBUF); err != nil {
			return fmt.Errorf("%s: %w: %w", c.node, ErrCacheNotDropped, classify(err, false))
		}
		return nil
	}
	advice := onDescriptor(c.file, func(fd int) error { return unix.Fadvise(fd, 0, 0, unix.FADV_DONTNEED) })
	if advice != nil {
		return fmt.Errorf("%s: %w: %w", c.node, ErrCacheNotDropped, advice)
	}
	return fmt.Errorf("%s: a regular file: %w", c.node, ErrCacheNotDropped)
}

// SizeBytes is the capacity as the disk states it, or the file's length.
func (c *Card) SizeBytes() int64 { return c.sizeBytes }

// SectorBytes is the disk's logical sector size; 1 for a regular file.
func (c *Card) SectorBytes() int { return c.sectorBytes }

// Seq is the count of media under which the card was opened: another card in the same reader has another. It is 0 for a regular
// file, and where the kernel does not count.
func (c *Card) Seq() uint64 {
	if c.disk == nil {
		return 0
	}
	return c.disk.DiskSeq
}

// Direct tells whether reads and writes bypass the operating system's cache.
func (c *Card) Direct() bool { return c.direct }

// Close gives the target free. A second call does nothing.
func (c *Card) Close() error {
	if err := c.file.Close(); err != nil && !errors.Is(err, os.ErrClosed) {
		return fmt.Errorf("close of %s: %w", c.node, classify(err, !c.options.ReadOnly))
	}
	return nil
}

// RereadTable asks the kernel to read the partition table again. It is for the very end: the kernel may show and mount
// partitions from then on. ErrNoTable for a regular file and for a disk whose partitions the kernel does not show.
func (c *Card) RereadTable() error {
	if c.disk == nil {
		return fmt.Errorf("%s: a regular file: %w", c.node, ErrNoTable)
	}
	err := control(c.file, unix.BLKRRPART)
	switch {
	case err == nil:
		return nil
	case errors.Is(err, unix.EINVAL):
		return fmt.Errorf("%s: %w: %w", c.node, ErrNoTable, err)
	case errors.Is(err, unix.EBUSY):
		return fmt.Errorf("partition table of %s: %w: %w", c.node, ErrBusy, err)
	}
	return fmt.Errorf("partition table of %s: %w", c.node, classify(err, false))
}

// classify adds the sentinel that callers branch on, and keeps the cause.
func classify(err error, writing bool) error {
	var number syscall.Errno
	if !errors.As(err, &number) {
		return err
	}
	switch number {
	case unix.ENXIO, unix.ENODEV, unix.ENOMEDIUM, unix.ESHUTDOWN:
		return fmt.Errorf("%w: %w", flash.ErrGone, err)
	case unix.EROFS:
		return fmt.Errorf("%w: %w", flash.ErrReadOnly, err)
	case unix.EACCES, unix.EPERM:
		if writing {
			return fmt.Errorf("%w: %w", flash.ErrReadOnly, err)
		}
	}
	return err
}
