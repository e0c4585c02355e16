package xz

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
)

const (
	inputBytes   = 128 << 10
	emptyReads   = 100 // reads without byte or error, after which a source is given up
	biggestPiece = 6 + chunkBytes
)

// An input is a source with a buffer. The first error of the source stays, and is told once all bytes before it are taken.
type input struct {
	from   io.Reader
	buf    []byte // behind its end are chunkBytes more, so that a chunk's data can be taken for an array wherever it begins
	start  int    // of what is not taken yet
	end    int    // of what was read
	base   int64  // packed offset of buf[0]
	err    error
	replay [][]byte // read before, and to be given again before anything else
	after  error    // the source's error, if it came before the replay was asked for
}

func newInput(from io.Reader) *input {
	return &input{from: from, buf: make([]byte, inputBytes, inputBytes+chunkBytes)}
}

// reset makes the input read another source from its start.
func (in *input) reset(from io.Reader) { *in = input{from: from, buf: in.buf} }

// giveFrom makes the input give pieces that lie in memory, the first byte at that packed offset, and then an error.
func (in *input) giveFrom(base int64, pieces [][]byte, err error) {
	length := 0
	for _, piece := range pieces {
		length = min(length+len(piece), inputBytes)
	}
	if cap(in.buf) < length+chunkBytes {
		in.buf = make([]byte, length+chunkBytes)
	}
	in.buf = in.buf[:length]
	in.start, in.end, in.base, in.err = 0, 0, base, nil
	in.replay, in.after = append(in.replay[:0], pieces...), err
}

// offset is how many packed bytes were taken.
func (in *input) offset() int64 { return in.base + int64(in.start) }

// peek gives up to n bytes without taking them, at most biggestPiece; fewer only where the source ends or fails.
func (in *input) peek(n int) []byte {
	if in.end-in.start < n {
		in.fill(n)
	}
	return in.buf[in.start:min(in.end, in.start+n)]
}

// full gives exactly n bytes without taking them, or says why not.
func (in *input) full(n int) ([]byte, error) {
	got := in.peek(n)
	if len(got) < n {
		return nil, in.failure()
	}
	return got, nil
}

// take passes over bytes that were looked at.
func (in *input) take(n int) { in.start += n }

// array is what was looked at last, but for its first skip bytes, as the start of an array. What follows it there has no meaning.
func (in *input) array(skip int) *[chunkBytes]byte {
	from := in.start + skip
	return (*[chunkBytes]byte)(in.buf[from : from+chunkBytes])
}

// failure says why there are no more bytes.
func (in *input) failure() error {
	if errors.Is(in.err, io.EOF) {
		return ErrTruncated
	}
	return in.err
}

// read takes bytes into a slice, as many as there are.
func (in *input) read(to []byte) (n int) {
	for n < len(to) {
		got := in.peek(1)
		if len(got) == 0 {
			return n
		}
		taken := copy(to[n:], in.buf[in.start:in.end])
		in.take(taken)
		n += taken
	}
	return n
}

// fill reads until there are n bytes or the source ends or fails.
func (in *input) fill(n int) {
	if in.start > 0 && in.err == nil {
		copy(in.buf, in.buf[in.start:in.end])
		in.base += int64(in.start)
		in.end -= in.start
		in.start = 0
	}
	for empty := 0; in.end < n && in.err == nil; {
		got, err := in.readSome(in.buf[in.end:])
		switch {
		case got < 0 || got > len(in.buf)-in.end:
			got, err = 0, fmt.Errorf("the source claims to have read %d bytes", got)
		case got > 0:
			empty = 0
		case err == nil:
			if empty++; empty == emptyReads {
				err = io.ErrNoProgress
			}
		}
		in.end += got
		in.err = err
	}
}

// readSome reads what is to be given again, then from the source.
func (in *input) readSome(to []byte) (int, error) {
	if len(in.replay) > 0 {
		n := copy(to, in.replay[0])
		if in.replay[0] = in.replay[0][n:]; len(in.replay[0]) == 0 {
			in.replay[0] = nil // for the collector: what is behind the start of a slice is kept
			in.replay = in.replay[1:]
		}
		return n, nil
	}
	if in.after != nil {
		return 0, in.after
	}
	return in.from.Read(to)
}

// giveAgain puts pieces that were taken back before what comes next.
func (in *input) giveAgain(pieces [][]byte) {
	for _, piece := range pieces {
		in.base -= int64(len(piece))
	}
	in.base += int64(in.start)
	in.replay = append(append(pieces, bytes.Clone(in.buf[in.start:in.end])), in.replay...)
	in.start, in.end = 0, 0
	in.after = cmp.Or(in.after, in.err)
	in.err = nil
}
