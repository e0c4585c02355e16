package partition

import (
	"errors"
	"fmt"
)

// ErrSectorSize tells that Inspect was called with a sector size that no medium has, or with a negative size.
var ErrSectorSize = errors.New("sector size is not a power of two from 512 to 4096, or the size is negative")

// ErrNoImprint tells that a medium holds something that may be written to without leaving a trace where an imprint looks, or more
// than an imprint covers.
var ErrNoImprint = errors.New("the medium holds what no imprint covers")

// A ReadError is a read that the medium refused. It is the only error that a medium's content or state can cause: odd
// content is told in findings.
type ReadError struct {
	OffsetBytes int64
	LengthBytes int64
	Err         error
}

// Error names the range that could not be read, and the cause.
func (e *ReadError) Error() string {
	return fmt.Sprintf("read %d bytes at byte %d: %v", e.LengthBytes, e.OffsetBytes, e.Err)
}

// Unwrap gives the cause.
func (e *ReadError) Unwrap() error { return e.Err }
