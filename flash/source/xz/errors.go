package xz

import (
	"errors"
	"fmt"
	"io"
)

var (
	// ErrTruncated says that the source ends too early: often a broken download.
	ErrTruncated = errors.New("the file ends too early")
	// ErrTrailing says that something other than padding or another stream follows a stream.
	ErrTrailing = errors.New("bytes follow the last stream")
	// ErrMalformed says that the file breaks the rules of its format.
	ErrMalformed = errors.New("the file is malformed")
	// ErrChecksum says that a checksum does not match what it stands for.
	ErrChecksum = errors.New("a checksum does not match")
	// ErrUnsupported says that the file uses what is not read here: a check, a filter or a flag that is reserved.
	ErrUnsupported = errors.New("not supported")
	// ErrDictionary says that a block asks for a larger dictionary than Options allows.
	ErrDictionary = errors.New("the dictionary is larger than allowed")
	// ErrClosed says that the Reader was closed before the file was read to its end.
	ErrClosed = errors.New("the reader was closed")
)

// An Error is what went wrong with a file, and where. Of a source that failed, Unwrap gives the source's own error.
type Error struct {
	OffsetBytes int64 // packed bytes that were taken as sound; the fault lies in the piece that begins there, or in what it ends
	Err         error
}

// Error says place and cause in one line.
func (e *Error) Error() string { return fmt.Sprintf("at packed byte %d: %v", e.OffsetBytes, e.Err) }

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Err }

// placed says where an error came up. The end of the file is none.
func placed(err error, offsetBytes int64) error {
	if err == nil || errors.Is(err, io.EOF) {
		return err
	}
	return &Error{OffsetBytes: offsetBytes, Err: err}
}

// malformed is ErrMalformed with what is wrong.
func malformed(what string) error { return fmt.Errorf("%w: %s", ErrMalformed, what) }
