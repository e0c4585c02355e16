package source

import (
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"sync/atomic"
)

// Facts are what is known of an image and its source. Before the end of the image was read, digests are empty,
// PackedBytes and ImageBytes may be 0 for unknown or come from a declaration, and Expected is "absent" where no digest
// was found, else empty.
type Facts struct {
	Name         string   `json:"name"`   // base name of the file or URL path; "-" for standard input
	Format       Format   `json:"format"` // raw, xz, gzip, zstd, bzip2, zip
	PackedBytes  int64    `json:"packed_bytes"`
	ImageBytes   int64    `json:"image_bytes"`
	PackedSHA256 string   `json:"packed_sha256"`
	ImageSHA256  string   `json:"image_sha256"`
	Expected     Expected `json:"expected"`
}

// A Format is how a source is packed.
type Format string

// The formats, told by their first bytes.
const (
	FormatRaw   Format = "raw"
	FormatXZ    Format = "xz"
	FormatGzip  Format = "gzip"
	FormatZstd  Format = "zstd"
	FormatBzip2 Format = "bzip2"
	FormatZip   Format = "zip"
)

// Expected says how the digests compare with the one that was published.
type Expected string

// What became of the published digest.
const (
	Matched    Expected = "matched"
	Mismatched Expected = "mismatched"
	Absent     Expected = "absent"
)

// An Image is an opened source that is read once, from start to end. One goroutine at a time reads it; every other method
// may be called from any, also while a Read is under way.
type Image struct {
	input    *input
	decoder  io.Reader // gives io.EOF only after its container ended soundly
	close    func() error
	closed   atomic.Bool
	facts    Facts // as opened; settled replaces them at the end
	settled  atomic.Pointer[Facts]
	declared int64 // decoded bytes as the container states them; -1 when unknown
	wanted   wanted
	member   string      // of the archive, which the image is
	file     fs.FileInfo // of the regular file that it is read from, as it was opened; else nil
	endless  bool        // nothing outside the container tells where the source ends
	digest   hash.Hash
	given    int64
	err      error // the first error or io.EOF; it stays
}

// Read gives the next decoded bytes. io.EOF comes only after the container ended soundly, nothing followed it, and every
// published digest matched; any other error is an *Error, and every later Read returns it again.
func (m *Image) Read(p []byte) (int, error) {
	if m.err == nil && m.closed.Load() {
		m.err = &Error{Op: "read", OffsetBytes: m.input.offsetBytes(), Err: ErrClosed}
	}
	if m.err != nil {
		return 0, m.err
	}
	n, err := m.decode(p)
	m.digest.Write(p[:n])
	m.given += int64(n)
	switch {
	case errors.Is(err, io.EOF):
		m.err = m.finish()
	case err != nil:
		m.err = m.failed(err)
	}
	if n > 0 {
		return n, nil
	}
	return 0, m.err
}

// decode calls the decoder until it gives something: callers may take nothing without an error for a stuck source.
func (m *Image) decode(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	for range maxEmptyReads {
		if n, err := m.decoder.Read(p); n > 0 || err != nil {
			return n, err
		}
	}
	return 0, io.ErrNoProgress
}

// maxEmptyReads is how often in a row a decoder may give neither a byte nor an error.
const maxEmptyReads = 100

// failed tells why decoding stopped. A source that could not be read comes before whatever a decoder made of that.
func (m *Image) failed(cause error) error {
	place := m.input.offsetBytes()
	if failure := m.input.packed.failure(); failure != nil {
		return &Error{Op: "read", OffsetBytes: place, Err: failure}
	}
	if typed, ok := errors.AsType[*Error](cause); ok {
		return typed
	}
	if errors.Is(cause, io.ErrUnexpectedEOF) {
		// Decoders say "unexpected end" also where a part ends before it is full although the source goes on.
		if cause = noEOF(cause); !m.input.atEnd() {
			cause = fmt.Errorf("%w: a part of it ends before it is full", ErrMalformed)
		}
	}
	return &Error{Op: "decode " + string(m.facts.Format), OffsetBytes: place, Err: cause}
}

// finish ends the reading: io.EOF, or what speaks against the image as a whole.
func (m *Image) finish() error {
	if !m.input.atEnd() {
		return m.failed(ErrTrailing)
	}
	if failure := m.input.packed.failure(); failure != nil {
		return m.failed(failure)
	}
	if m.given == 0 {
		return m.failed(ErrEmpty)
	}
	packed, image := sum(m.input.packed.digest), sum(m.digest)
	facts := m.facts
	facts.PackedBytes, facts.ImageBytes = m.input.packed.readBytes.Load(), m.given
	facts.PackedSHA256, facts.ImageSHA256 = packed.String(), image.String()
	defer m.settled.Store(&facts)
	if m.wanted.none() {
		if m.endless && facts.Format == FormatRaw {
			return m.failed(fmt.Errorf("%w, perhaps: the server tells no length, so a cut connection looks like the end", ErrTruncated))
		}
		return io.EOF
	}
	if err := m.wanted.compare(packed, image); err != nil {
		facts.Expected = Mismatched
		return &Error{Op: "check", OffsetBytes: facts.PackedBytes, Err: err}
	}
	facts.Expected = Matched
	return io.EOF
}

// Facts tells what is known by now. They are complete once Read returned io.EOF. Any goroutine may call it.
func (m *Image) Facts() Facts {
	if settled := m.settled.Load(); settled != nil {
		return *settled
	}
	return m.facts
}

// DeclaredBytes is the decoded size as the source states it before decoding, where its format does so. It serves planning
// only: the source may lie, and only the end of reading proves the size.
func (m *Image) DeclaredBytes() (sizeBytes int64, known bool) {
	return max(m.declared, 0), m.declared >= 0
}

// PackedRead is how many bytes of the packed source were read so far. Any goroutine may call it.
func (m *Image) PackedRead() int64 { return m.input.packed.readBytes.Load() }

// PackedBytes is the size of the packed source, where the file system or the server tells it.
func (m *Image) PackedBytes() (sizeBytes int64, known bool) {
	size := m.input.packed.sizeBytes
	return max(size, 0), size >= 0
}

// Member is the name of the archive's member that the image is; empty where the source is no archive.
func (m *Image) Member() string { return m.member }

// FileInfo tells of the regular file that the image is read from what was true when it was opened; nil where it is none.
func (m *Image) FileInfo() fs.FileInfo { return m.file }

// Close releases the source. Closing before the end is no error; closing again does nothing. A Read that is under way, such
// as one of a pipe that nobody fills, is not waited for.
func (m *Image) Close() error {
	if m.closed.Swap(true) || m.close == nil {
		return nil
	}
	return m.close()
}
