package device

import (
	"errors"
	"fmt"
	"strings"
)

var (
	// ErrNotADisk says that the path leads to no whole disk and no regular file.
	ErrNotADisk = errors.New("not a whole disk or a regular file")
	// ErrNotAllowed says that the disk or file may not be written by the rule.
	ErrNotAllowed = errors.New("not a target that may be written")
	// ErrBusy says that someone else holds the disk or file.
	ErrBusy = errors.New("in use by another program or by the kernel")
	// ErrChanged says that the disk or file is not what it was, or that the kernel contradicts itself about it.
	ErrChanged = errors.New("the target is not what it was")
	// ErrCacheNotDropped says that reads may come from a cache. For a regular file that is always so: what the file system
	// keeps of it cannot be proven gone.
	ErrCacheNotDropped = errors.New("the cache cannot be dropped, so reads may not come from the medium")
	// ErrNoTable says that the kernel keeps no partition table of this target.
	ErrNoTable = errors.New("the kernel keeps no partition table here")
	// ErrOutside says that a read or write would leave the target's bounds.
	ErrOutside = errors.New("outside the target")
)

// A Refusal says why a target is not opened or no longer written. Nothing was written by the call that returns it.
type Refusal struct {
	Path    string
	Reasons []string // sentences for the operator, at least one
	Err     error    // one of this package's sentinels, or the cause with it
}

// Error gives the path and all reasons in one line.
func (r *Refusal) Error() string {
	return fmt.Sprintf("%s is refused: %s", r.Path, strings.Join(r.Reasons, "; "))
}

// Unwrap gives the sentinel and the cause.
func (r *Refusal) Unwrap() error { return r.Err }

// ReasonsOf gives the sentences of a refusal. What is not opened for another cause has that for its one reason.
func ReasonsOf(err error) []string {
	if r, ok := errors.AsType[*Refusal](err); ok {
		return r.Reasons
	}
	return []string{err.Error()}
}

func refuse(path string, err error, format string, args ...any) *Refusal {
	return &Refusal{Path: path, Reasons: []string{fmt.Sprintf(format, args...)}, Err: err}
}
