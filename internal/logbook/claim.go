package logbook

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"

	"golang.org/x/sys/unix"
)

// A claim is a program's right to the batches of one name. It is a lock (fcntl(2), "Open file description locks") on one byte of
// an empty file beside the logbook, which the kernel drops when the program ends, however it ends. The logbook itself must not
// be opened for that, since closing it would drop SQLite's locks.
type claim struct {
	mu   sync.Mutex
	file *os.File // nil once released
}

// stakeClaim claims a number, or says ErrBatchInUse. A link to the logbook leads to the same claim as its own name.
func stakeClaim(bookPath string, number int64) (*claim, error) {
	path, err := filepath.EvalSymlinks(bookPath)
	if err != nil {
		return nil, err
	}
	// A link in the file's place is not followed: root may keep a logbook in a folder that others can write to.
	file, err := os.OpenFile(path+"-batches", os.O_RDWR|os.O_CREATE|unix.O_NOFOLLOW, 0o600)
	if err != nil {
		return nil, err
	}
	c := &claim{file: file}
	err = unix.FcntlFlock(file.Fd(), unix.F_OFD_SETLK, &unix.Flock_t{Type: unix.F_WRLCK, Start: number, Len: 1})
	if errors.Is(err, unix.EAGAIN) || errors.Is(err, unix.EACCES) {
		err = ErrBatchInUse
	}
	if err == nil {
		err = c.check() // it may have been deleted in between, and another program have made and locked a new one
	}
	if err != nil {
		return nil, errors.Join(err, file.Close())
	}
	return c, nil
}

// check says whether the claim still keeps others out: one on a file that was deleted or replaced does not.
func (c *claim) check() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.file == nil {
		return errors.New("the batch is closed")
	}
	held, err := c.file.Stat()
	if err != nil {
		return err
	}
	if there, err := os.Lstat(c.file.Name()); err != nil || !os.SameFile(held, there) {
		return fmt.Errorf("%s: %w", c.file.Name(), ErrMoved)
	}
	return nil
}

// release gives the claim up. It may be called twice.
func (c *claim) release() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.file == nil {
		return nil
	}
	err := c.file.Close()
	c.file = nil
	return err
}
