package store

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"sync/atomic"

	"cardwright/flash"
	"cardwright/flash/source"
)

// An Image is a prepared image that is read once, from start to end, as one that is decoded would be. One goroutine at a time
// reads it; every other method may be called from any.
type Image struct {
	blocks      *blocks
	facts       source.Facts
	interrupted func() error
	closed      atomic.Bool
	given       atomic.Int64 // atomic because progress is read from other goroutines
	err         error        // the first error; it stays
}

var _ flash.Compared = (*Image)(nil)

// Read gives the next bytes of the image, none before its whole block was read and compared with its digest. A block that cannot
// be read or is another one than was written is an *Error (ErrDamaged), and every later Read gives it again.
func (m *Image) Read(p []byte) (int, error) {
	if m.err == nil && m.closed.Load() {
		m.err = &Error{Op: "read", Path: m.blocks.path, Err: os.ErrClosed}
	}
	if m.err == nil {
		m.err = m.interrupted()
	}
	if m.err != nil {
		return 0, m.err
	}
	n, err := m.blocks.readSome(p, m.given.Load())
	m.given.Add(int64(n))
	m.err = err
	return n, err
}

// Manifest holds the digests that Read compares with. It must not be changed.
func (m *Image) Manifest() *flash.Manifest { return m.blocks.manifest }

// Facts are those of the source, complete.
func (m *Image) Facts() source.Facts { return m.facts }

// DeclaredBytes is the image's length, which is known.
func (m *Image) DeclaredBytes() (sizeBytes int64, known bool) { return m.facts.ImageBytes, true }

// PackedRead is how many bytes were read so far, of PackedBytes: a prepared image is not packed. Any goroutine may call it.
func (m *Image) PackedRead() int64 { return m.given.Load() }

// PackedBytes is how many bytes there are to read.
func (m *Image) PackedBytes() (sizeBytes int64, known bool) { return m.facts.ImageBytes, true }

// Close ends the reading; the Prepared stays open. Closing again does nothing.
func (m *Image) Close() error {
	m.closed.Store(true)
	return nil
}

// A blocks reads an image file by whole blocks, each compared with its digest. One goroutine at a time uses it.
type blocks struct {
	path     string
	file     *os.File
	manifest *flash.Manifest
	rotten   func(image *os.File) // is told that a block is not as it was written
	buffer   []byte               // made when a read is shorter than a block
	held     int                  // the block in the buffer; -1: none
}

// ReadAt reads len(p) bytes from offsetBytes on; io.EOF where the image ends before that.
func (r *blocks) ReadAt(p []byte, offsetBytes int64) (n int, err error) {
	if offsetBytes < 0 {
		return 0, &Error{Op: "read", Path: r.path, Err: os.ErrInvalid}
	}
	for n < len(p) && err == nil {
		var some int
		some, err = r.readSome(p[n:], offsetBytes+int64(n))
		n += some
	}
	return n, err
}

// readSome reads from one block, straight into p where there is room for all of it.
func (r *blocks) readSome(p []byte, offsetBytes int64) (int, error) {
	if offsetBytes >= r.manifest.ImageBytes {
		return 0, io.EOF
	}
	if len(p) == 0 {
		return 0, nil
	}
	b := r.manifest.Block(int(offsetBytes / flash.BlockBytes))
	if b.OffsetBytes == offsetBytes && len(p) >= b.LengthBytes && b.Index != r.held {
		if err := r.load(b, p[:b.LengthBytes]); err != nil {
			return 0, err
		}
		return b.LengthBytes, nil
	}
	if r.buffer == nil {
		r.buffer = make([]byte, min(flash.BlockBytes, r.manifest.ImageBytes))
	}
	if r.held != b.Index {
		r.held = -1 // until it is loaded
		if err := r.load(b, r.buffer[:b.LengthBytes]); err != nil {
			return 0, err
		}
		r.held = b.Index
	}
	return copy(p, r.buffer[offsetBytes-b.OffsetBytes:b.LengthBytes]), nil
}

// load reads a whole block and compares it with its digest. What is not as it was written is taken out of the caller's hands.
func (r *blocks) load(b flash.Block, into []byte) error {
	_, err := r.file.ReadAt(into, b.OffsetBytes)
	switch {
	case errors.Is(err, os.ErrClosed):
		return &Error{Op: "read", Path: r.path, OffsetBytes: b.OffsetBytes, LengthBytes: int64(b.LengthBytes), Err: err}
	case err != nil:
		err = fmt.Errorf("%w: %w", ErrDamaged, noEOF(err))
	case flash.Digest(sha256.Sum256(into)) != r.manifest.Blocks[b.Index]:
		err = fmt.Errorf("%w: a block of it is not as it was written; it will be prepared anew", ErrDamaged)
	default:
		return nil
	}
	clear(into)
	r.rotten(r.file)
	return &Error{Op: "read", Path: r.path, OffsetBytes: b.OffsetBytes, LengthBytes: int64(b.LengthBytes), Err: err}
}

// noEOF keeps the end of a file that is too short from passing as the end of the image.
func noEOF(err error) error {
	if errors.Is(err, io.EOF) {
		return io.ErrUnexpectedEOF
	}
	return err
}
