package device

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"

	"golang.org/x/sys/unix"
)

// openFile opens and locks an existing regular file. It is never made, grown or cut.
func (c *Card) openFile() error {
	if err := c.freeFile(); err != nil {
		return err
	}
	flags, lock := unix.O_RDONLY, unix.LOCK_SH
	if !c.options.ReadOnly {
		flags, lock = unix.O_RDWR, unix.LOCK_EX
	}
	// Without O_NONBLOCK a FIFO that took the file's place would hold the program up.
	fd, err := openRetry(c.node, flags|unix.O_CLOEXEC|unix.O_NOFOLLOW|unix.O_NONBLOCK)
	if err != nil {
		return refusedOpen(c.path, err)
	}
	c.file = os.NewFile(uintptr(fd), c.node)
	err = onDescriptor(c.file, func(fd int) error { return unix.Flock(fd, lock|unix.LOCK_NB) })
	if errors.Is(err, unix.EWOULDBLOCK) {
		return refuse(c.path, errors.Join(ErrBusy, err), "another program holds it locked")
	}
	if err != nil {
		return refuse(c.path, errors.Join(ErrNotAllowed, err), "it cannot be locked: %v", err)
	}
	info, err := c.file.Stat()
	if err != nil {
		return refuse(c.path, errors.Join(ErrNotAllowed, err), "it cannot be looked at: %v", plain(err))
	}
	if !os.SameFile(info, c.info) {
		return refuse(c.path, ErrChanged, "it became another file while it was opened")
	}
	c.info, c.sizeBytes, c.sectorBytes = info, info.Size(), 1
	return c.soundFile(info)
}

// soundFile refuses files that are no plain piece of storage of their own.
func (c *Card) soundFile(info os.FileInfo) error {
	if info.Size() == 0 {
		return refuse(c.path, ErrNotAllowed, "it is empty; a card's file has the card's size")
	}
	var fs unix.Statfs_t
	if err := onDescriptor(c.file, func(fd int) error { return unix.Fstatfs(fd, &fs) }); err != nil {
		return refuse(c.path, errors.Join(ErrNotAllowed, err), "its file system is not known: %v", err)
	}
	if kernelTree(int64(fs.Type)) {
		return refuse(c.path, ErrNotADisk, "it is a file of the kernel's own")
	}
	if c.options.ReadOnly {
		return nil
	}
	if st, ok := info.Sys().(*syscall.Stat_t); !ok || st.Nlink != 1 {
		return refuse(c.path, ErrNotAllowed, "it has more than one name (hard links); make a copy of it and name that")
	}
	return nil
}

// kernelTree knows the file systems whose files are switches, not storage.
func kernelTree(magic int64) bool {
	switch uint32(magic) {
	case unix.SYSFS_MAGIC, unix.PROC_SUPER_MAGIC, unix.DEBUGFS_MAGIC, unix.TRACEFS_MAGIC, unix.SECURITYFS_MAGIC,
		unix.CGROUP_SUPER_MAGIC, unix.CGROUP2_SUPER_MAGIC, unix.EFIVARFS_MAGIC, unix.PSTOREFS_MAGIC, unix.BPF_FS_MAGIC,
		unix.BINFMTFS_MAGIC:
		return true
	}
	return false
}

// freeFile refuses a file that the kernel itself uses as swap space or as the ground of a loop device. A machine whose
// device tree shows no block devices at all has none of these.
func (c *Card) freeFile() error {
	if c.options.ReadOnly {
		return nil
	}
	s, err := ReadSnapshot(c.options.Roots)
	if errors.Is(err, fs.ErrNotExist) {
		// Every kernel has this folder; without it nothing is mounted there.
		if _, missing := os.Stat(filepath.Join(c.options.Roots.Sys, "devices")); missing == nil {
			return nil
		}
		return refuse(c.path, errors.Join(ErrNotAllowed, err), "what else uses it cannot be told; mount sysfs at %s", c.options.Roots.Sys)
	}
	if err != nil {
		return refuse(c.path, errors.Join(ErrNotAllowed, err), "%v", err)
	}
	for _, g := range s.Unknown {
		if g.Field == swapTable {
			return refuse(c.path, ErrNotAllowed, "the %s is not known: %s", g.Field, g.Why)
		}
	}
	for _, swap := range s.Swaps {
		if c.sameAs(swap.Path) {
			return refuse(c.path, ErrBusy, "it is in use as swap space")
		}
	}
	for i := range s.Disks {
		d := &s.Disks[i]
		switch {
		case !d.Attached:
		case d.Backing.Path == "":
			return refuse(c.path, ErrNotAllowed, "what %s stands on cannot be told", d.Name)
		case c.sameAs(d.Backing.Path), c.namelessGroundOf(d):
			return refuse(c.path, ErrBusy, "it is attached to %s", d.Name)
		}
	}
	return nil
}

// namelessGroundOf tells whether a loop device stands on the file under a name that is no more, or of another mount
// namespace. Only the device itself knows, and only tells who may open it; otherwise the name must do.
func (c *Card) namelessGroundOf(d *Disk) bool {
	if _, err := os.Stat(d.Backing.Path); !errors.Is(err, fs.ErrNotExist) {
		return false
	}
	fd, err := openRetry(c.options.Roots.node(d), unix.O_RDONLY|unix.O_CLOEXEC|unix.O_NONBLOCK)
	if err != nil {
		return false
	}
	defer unix.Close(fd)
	ground, err := unix.IoctlLoopGetStatus64(fd)
	st, ok := c.info.Sys().(*syscall.Stat_t)
	return err == nil && ok && ground.Inode == st.Ino && devNumber(ground.Device) == devNumber(uint64(st.Dev))
}

func (c *Card) sameAs(path string) bool {
	info, err := os.Stat(path)
	return err == nil && os.SameFile(info, c.info)
}

func (c *Card) recheckFile() error {
	if err := c.freeFile(); err != nil {
		return err
	}
	held, err := c.file.Stat()
	if err != nil {
		return refuse(c.path, errors.Join(ErrChanged, err), "it no longer answers: %v", plain(err))
	}
	node, err := filepath.EvalSymlinks(c.path)
	if err != nil || node != c.node || !c.sameAs(node) {
		return refuse(c.path, ErrChanged, "another file stands at this path now")
	}
	if held.Size() != c.sizeBytes {
		return &Refusal{
			Path: c.path, Err: ErrChanged,
			Reasons: []string{fmt.Sprintf("its size was %d bytes and is now %d", c.sizeBytes, held.Size())},
		}
	}
	return c.soundFile(held)
}
