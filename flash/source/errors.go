package source

import (
	"errors"
	"fmt"
)

var (
	// ErrUnknownFormat says that the source is neither a known container nor an unpacked image: often a web page or an
	// archive of another kind.
	ErrUnknownFormat = errors.New("unknown format")
	// ErrEmpty says that the source holds no image bytes.
	ErrEmpty = errors.New("the image is empty")
	// ErrTruncated says that the source ends too early: often a broken download.
	ErrTruncated = errors.New("the source ends too early")
	// ErrTrailing says that bytes follow the end of the container.
	ErrTrailing = errors.New("bytes follow the end of the container")
	// ErrMalformed says that the container breaks the rules of its format.
	ErrMalformed = errors.New("the container is malformed")
	// ErrChecksum says that a checksum inside the container does not match its content.
	ErrChecksum = errors.New("a checksum inside the container does not match")
	// ErrUnsupported says that the container is sound so far but uses a feature that is not read here.
	ErrUnsupported = errors.New("not supported")
	// ErrTooMuchMemory says that decoding asks for more memory than allowed.
	ErrTooMuchMemory = errors.New("decoding asks for too much memory")
	// ErrMismatch says that a digest differs from the published one.
	ErrMismatch = errors.New("the digest differs from the published one")
	// ErrNoDigest says that the named checksum file gives no digest, or no single digest, for the source.
	ErrNoDigest = errors.New("no digest for this source")
	// ErrChanged says that the source became another one while it was read.
	ErrChanged = errors.New("the source changed while it was read")
	// ErrStatus says that the server answered with something other than the file.
	ErrStatus = errors.New("the server does not give the file")
	// ErrStalled says that the server sent nothing for too long.
	ErrStalled = errors.New("the server sent nothing for too long")
	// ErrNoMember says that the archive holds no member of the wanted name, or no file at all.
	ErrNoMember = errors.New("no such member in the archive")
	// ErrManyMembers says that the archive holds several files and none was chosen.
	ErrManyMembers = errors.New("the archive holds several files, one must be chosen")
	// ErrDirectory says that the chosen member, or the source itself, is a directory.
	ErrDirectory = errors.New("it is a directory")
	// ErrEncrypted says that the chosen member is encrypted.
	ErrEncrypted = errors.New("the member is encrypted")
	// ErrClosed says that the image was closed before it was read to its end.
	ErrClosed = errors.New("the image was closed")
)

// An Error is what went wrong with a source: what was being done, how many bytes of the packed source had been used by
// then, and the cause.
type Error struct {
	Op          string // "open", "check", "read", or "decode" and the format
	OffsetBytes int64
	Err         error
}

// Error says the step, the place and the cause in one line. A source that could not be opened has no place.
func (e *Error) Error() string {
	if e.Op == "open" && e.OffsetBytes == 0 {
		return e.Err.Error()
	}
	return fmt.Sprintf("%s at packed byte %d: %v", e.Op, e.OffsetBytes, e.Err)
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Err }

// openError is the Error of a source of which nothing was used yet. A cause that is an Error already stays as it is.
func openError(cause error) error {
	var known *Error
	if errors.As(cause, &known) {
		return cause
	}
	return &Error{Op: "open", Err: cause}
}
