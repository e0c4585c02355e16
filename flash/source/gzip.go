package source

import (
	"errors"
	"fmt"
	"io"

	"github.com/klauspost/compress/flate"
	"github.com/klauspost/compress/gzip"
)

// A gzipReader decodes the members of a gzip file (RFC 1952) one by one. It steps from member to member itself: the library
// alone cannot tell garbage behind the last member from a damaged header.
type gzipReader struct {
	in     *input
	member gzip.Reader
	inside bool
	begun  bool
}

func newGzip(in *input) io.Reader { return &gzipReader{in: in} }

func (g *gzipReader) Read(p []byte) (int, error) {
	for {
		if !g.inside {
			if err := g.next(); err != nil {
				return 0, err
			}
		}
		n, err := g.member.Read(p)
		if errors.Is(err, io.EOF) {
			g.inside = false
			err = nil
		}
		if n > 0 || err != nil {
			return n, gzipError(err)
		}
	}
}

// next starts the next member; io.EOF means that the last one was the last.
func (g *gzipReader) next() error {
	if g.begun {
		magic, err := g.in.Peek(2)
		if len(magic) == 0 {
			return err
		}
		if formatOf(magic) != FormatGzip {
			return ErrTrailing
		}
	}
	if err := g.member.Reset(g.in.Reader); err != nil {
		return gzipError(noEOF(err))
	}
	g.member.Multistream(false)
	g.inside, g.begun = true, true
	return nil
}

func gzipError(err error) error {
	var corrupt flate.CorruptInputError
	switch {
	case errors.Is(err, gzip.ErrChecksum):
		return fmt.Errorf("%w: CRC-32 or length of a gzip member", ErrChecksum)
	case errors.Is(err, gzip.ErrHeader):
		return fmt.Errorf("%w: gzip member header", ErrMalformed)
	case errors.As(err, &corrupt):
		return fmt.Errorf("%w: deflate data", ErrMalformed)
	default:
		return err
	}
}
