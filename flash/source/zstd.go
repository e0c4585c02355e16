package source

import (
	"errors"
	"fmt"
	"io"

	"github.com/klauspost/compress/zstd"
)

// A zstdReader decodes the frames of a zstd file (RFC 8878).
type zstdReader struct {
	frames  *zstdFrames
	decoder *zstd.Decoder
}

// newZstd decodes without goroutines: the library then keeps one window, and only two blocks on top of it.
func newZstd(in *input, maxWindowBytes int64) (io.Reader, error) {
	frames := &zstdFrames{in: in, maxWindowBytes: uint64(maxWindowBytes)}
	decoder, err := zstd.NewReader(frames, zstd.WithDecoderLowmem(true), zstd.WithDecoderConcurrency(1),
		zstd.WithDecoderMaxWindow(uint64(max(maxWindowBytes, zstd.MinWindowSize))), zstd.WithDecoderMaxMemory(1<<62))
	if err != nil {
		return nil, err
	}
	return &zstdReader{frames: frames, decoder: decoder}, nil
}

func (z *zstdReader) Read(p []byte) (int, error) {
	n, err := z.decoder.Read(p)
	if err == nil {
		return n, nil
	}
	// What the walk over the frames found comes first: the library takes one to three bytes behind the last frame, and a
	// cut inside a frame's first bytes, for a sound end.
	if z.frames.err != nil && z.frames.err != io.EOF { // set to io.EOF itself
		return n, z.frames.err
	}
	switch {
	case errors.Is(err, io.EOF) && z.frames.err == nil:
		return n, fmt.Errorf("%w: zstd data ends before its frame", ErrMalformed)
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return n, err
	case errors.Is(err, zstd.ErrCRCMismatch):
		return n, fmt.Errorf("%w: %w", ErrChecksum, err)
	default:
		return n, fmt.Errorf("%w: %w", ErrMalformed, err)
	}
}
