package source

import (
	"bufio"
	"crypto/sha256"
	"errors"
	"fmt"
	"hash"
	"io"
	"sync/atomic"
)

// inputBufferBytes must hold the start of an unpacked image that tells what it is: the last of the known signatures lies
// 64 KiB into a file system.
const inputBufferBytes = 256 << 10

// A packed reader hands on the bytes of the source as they are stored, and keeps their number and digest.
type packedReader struct {
	from        io.Reader
	interrupted func() error // tells whether the caller gave up
	sizeBytes   int64        // as the file system or the server tells it; -1 when unknown
	readBytes   atomic.Int64 // atomic because progress is read from other goroutines
	digest      hash.Hash
	err         error // the first failure or io.EOF; it stays
}

func newPackedReader(from io.Reader, sizeBytes int64, interrupted func() error) *packedReader {
	return &packedReader{from: from, sizeBytes: sizeBytes, interrupted: interrupted, digest: sha256.New()}
}

func (p *packedReader) Read(buffer []byte) (int, error) {
	if p.err != nil {
		return 0, p.err
	}
	if err := p.interrupted(); err != nil {
		p.err = err
		return 0, err
	}
	n, err := p.from.Read(buffer)
	if left := p.sizeBytes - p.readBytes.Load(); p.sizeBytes >= 0 && int64(n) > left {
		n = int(left) // nobody answers for what follows
		err = fmt.Errorf("%w: it has more than the %d bytes it was said to have", ErrChanged, p.sizeBytes)
	}
	p.digest.Write(buffer[:n])
	total := p.readBytes.Add(int64(n))
	if errors.Is(err, io.EOF) && total < p.sizeBytes {
		err = fmt.Errorf("%w: %d of %d bytes came", ErrTruncated, total, p.sizeBytes)
	}
	p.err = err
	return n, err
}

// failure is the error that ended the reading, nil while it goes on and after a plain end.
func (p *packedReader) failure() error {
	if errors.Is(p.err, io.EOF) {
		return nil
	}
	return p.err
}

// An input is what decoders read: buffered, so that decoders that take byte after byte never take one too many.
type input struct {
	*bufio.Reader
	packed *packedReader
}

func newInput(packed *packedReader) *input {
	return &input{Reader: bufio.NewReaderSize(packed, inputBufferBytes), packed: packed}
}

// offsetBytes is how much of the packed source the decoders have taken.
func (in *input) offsetBytes() int64 {
	return in.packed.readBytes.Load() - int64(in.Buffered())
}

// atEnd tells whether the source has no byte left. A failed read is not an end.
func (in *input) atEnd() bool {
	_, err := in.Peek(1)
	return errors.Is(err, io.EOF)
}

// full reads exactly len(buffer) bytes; a source that ends before is ErrTruncated.
func (in *input) full(buffer []byte) error {
	_, err := io.ReadFull(in, buffer)
	return noEOF(err)
}

// skip passes over a number of bytes that the container states; they still count for the digest.
func (in *input) skip(lengthBytes int64) error {
	_, err := io.CopyN(io.Discard, in, lengthBytes)
	return noEOF(err)
}

// noEOF turns an end of the source inside a container into ErrTruncated, so that it never passes as a sound end.
func noEOF(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return fmt.Errorf("%w, inside the container", ErrTruncated)
	}
	return err
}
