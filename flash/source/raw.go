package source

import (
	"errors"
	"fmt"
	"io"

	"cardwright/partition"
)

// sectorBytes is the unit that an unpacked image is made of.
const sectorBytes = 512

// newRaw hands on an unpacked image. Unless asked to take anything, it wants whole sectors that begin like a disk: anything
// else, such as a web page or a container of an unknown kind, is more likely a mistake than an image.
func newRaw(in *input, options Options) (io.Reader, error) {
	if options.Raw {
		return in, nil
	}
	start, err := in.Peek(inputBufferBytes)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	if size := in.packed.sizeBytes; size >= 0 && size%sectorBytes != 0 {
		return nil, oddLength(size)
	}
	if !partition.Recognise(start) {
		return nil, fmt.Errorf("%w: no container, partition table or file system begins here", ErrUnknownFormat)
	}
	return &rawReader{in: in}, nil
}

// A rawReader finds at its end whether a source of unknown length was made of whole sectors.
type rawReader struct{ in *input }

func (r *rawReader) Read(p []byte) (int, error) {
	n, err := r.in.Read(p)
	if size := r.in.offsetBytes(); errors.Is(err, io.EOF) && size%sectorBytes != 0 {
		return n, oddLength(size)
	}
	return n, err
}

func oddLength(sizeBytes int64) error {
	return fmt.Errorf("%w: an unpacked image is a whole number of %d-byte sectors, this has %d bytes",
		ErrUnknownFormat, sectorBytes, sizeBytes)
}
