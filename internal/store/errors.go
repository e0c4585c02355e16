package store

import (
	"errors"
	"fmt"

	"golang.org/x/sys/unix"
)

var (
	// ErrNotPrepared says that the store holds no such image.
	ErrNotPrepared = errors.New("it is not prepared")
	// ErrInUse says that a program works with the entry.
	ErrInUse = errors.New("the prepared image is in use")
	// ErrLocked says that another program has kept the store to itself for so long that it is not waited for.
	ErrLocked = errors.New("another program keeps the store locked")
	// ErrNoRoom says that an image does not fit, by the store's limit or by the disk.
	ErrNoRoom = errors.New("there is no room for the prepared image")
	// ErrDamaged says that an entry, or a block of it, is no longer as it was written.
	ErrDamaged = errors.New("the prepared image is damaged")
	// ErrUnfinished says that the image was not read to a sound end, so that there is nothing to keep.
	ErrUnfinished = errors.New("the image was not read to a sound end")
	// ErrNoHome says that the environment names no place for a store.
	ErrNoHome = errors.New("no place for prepared images: neither XDG_CACHE_HOME nor HOME holds an absolute path")
)

// An Error is what went wrong with the store: what was being done, with which file or folder and, where blocks of an image were
// read or written, where in the decoded image.
type Error struct {
	Op          string // "prepare", "prove", "open", "read", "remove", "list"
	Path        string
	OffsetBytes int64
	LengthBytes int64 // 0: it is not about a place in the image
	Err         error
}

// Error says the step, the place and the cause in one line.
func (e *Error) Error() string {
	if e.LengthBytes == 0 {
		return fmt.Sprintf("%s %s: %v", e.Op, e.Path, e.Err)
	}
	return fmt.Sprintf("%s %s at byte %d: %v", e.Op, e.Path, e.OffsetBytes, e.Err)
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Err }

// told gives an error its place, once.
func told(op, path string, err error) error {
	if _, already := errors.AsType[*Error](err); err == nil || already {
		return err
	}
	if errors.Is(err, unix.ENOSPC) || errors.Is(err, unix.EDQUOT) {
		err = fmt.Errorf("%w: the disk is full: %w", ErrNoRoom, err)
	}
	return &Error{Op: op, Path: path, Err: err}
}
