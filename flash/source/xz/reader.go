package xz

import (
	"errors"
	"io"
	"sync/atomic"
)

// A Reader decodes an xz file. Read, WriteTo and Close are for one goroutine at a time; ConsumedBytes is for any.
type Reader struct {
	in       *input
	options  Options
	flags    streamFlags
	blocks   listSum // of the stream, as far as it was read
	inStream bool
	alone    *block // the block that is decoded piece by piece, made with the first one
	inBlock  bool   // alone is on a block
	team     team
	pending  []byte // decoded, and not yet delivered
	err      error  // stays
	consumed atomic.Int64
}

// NewReader gives a Reader of an xz file. Nothing is read from the source before the first Read.
func NewReader(source io.Reader, options Options) *Reader {
	r := &Reader{in: newInput(source), options: options.withDefaults()}
	r.team.begin(r.options)
	return r
}

// Read decodes. The error is io.EOF only where the file ended as its format says and every check was right; any other is an
// *Error. Bytes before an error are whole chunks, the same for every way of reading and every number of workers, but those
// of the block that the error lies in were not yet found right by its check.
func (r *Reader) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	for len(r.pending) == 0 {
		if r.err != nil {
			return 0, r.err
		}
		r.advance()
	}
	n := copy(p, r.pending)
	r.pending = r.pending[n:]
	return n, nil
}

// WriteTo decodes all that is left into a writer, without a copy between. The end of the file is no error.
func (r *Reader) WriteTo(w io.Writer) (total int64, err error) {
	for {
		for len(r.pending) > 0 {
			n, err := w.Write(r.pending)
			total += int64(n)
			r.pending = r.pending[n:]
			if err != nil {
				return total, err
			}
			if n == 0 {
				return total, io.ErrShortWrite
			}
		}
		switch {
		case errors.Is(r.err, io.EOF):
			return total, nil
		case r.err != nil:
			return total, r.err
		}
		r.advance()
	}
}

// ConsumedBytes is how many packed bytes stand for what was decoded and delivered; behind the end, the whole file.
func (r *Reader) ConsumedBytes() int64 { return r.consumed.Load() }

// Close ends all work on the file and waits until it has ended. It does not close the source, and waits for it no more than
// Read does. Later reads give the error that there was, or ErrClosed.
func (r *Reader) Close() error {
	if r.err == nil {
		r.err = &Error{OffsetBytes: r.ConsumedBytes(), Err: ErrClosed}
		r.pending = nil
	}
	r.stop()
	return nil
}

// stop ends all work and gives up what it took.
func (r *Reader) stop() {
	r.team.stop()
	if r.alone != nil {
		r.alone.check.settle()
	}
	r.alone = nil
}

// advance gets the next decoded piece, or the error that stays.
func (r *Reader) advance() {
	r.pending = nil // with the memory that it lies in
	r.team.giveBack()
	var offset int64
	if r.pending, offset, r.err = r.piece(); r.err != nil {
		r.stop()
	}
	if len(r.pending) > 0 || errors.Is(r.err, io.EOF) {
		r.consumed.Store(offset)
	}
}

// piece gives the next decoded piece and the packed offset that it reaches to.
func (r *Reader) piece() ([]byte, int64, error) {
	for {
		switch {
		case r.team.ahead != nil && !r.team.busy():
			return nil, r.in.offset(), r.team.ahead
		case r.inBlock:
			piece, err := r.alone.next()
			if !errors.Is(err, io.EOF) {
				return piece, r.in.offset(), err
			}
			r.blocks = r.blocks.with(record{r.alone.unpaddedBytes, r.alone.decodedBytes})
			r.inBlock = false
		case r.team.mustWait():
			done := r.team.first()
			if done.planned && done.err != nil {
				r.startOver(done)
				continue
			}
			if done.err != nil {
				return done.result, done.input.offset(), done.err
			}
			return done.result, done.endOffset, nil
		default:
			err := r.structure()
			r.team.ahead = placed(err, r.in.offset())
		}
	}
}

// structure takes the next part of the file up to where a block's data begin; io.EOF behind the last stream.
func (r *Reader) structure() error {
	if r.team.waiting != nil {
		r.place(*r.team.waiting)
		return nil
	}
	if !r.inStream {
		return r.startStream()
	}
	next, err := r.in.full(1)
	if err != nil {
		return err
	}
	if next[0] != 0 {
		return r.startBlock()
	}
	if r.team.doubtful() {
		r.team.full = true // first it must be known that this is the index
		return nil
	}
	indexBytes, err := takeIndex(r.in, r.blocks)
	if err != nil {
		return err
	}
	r.inStream = false
	return takeFooter(r.in, footer{flags: r.flags, indexBytes: indexBytes})
}

// startStream takes a stream's header, and the padding before it where this is not the first.
func (r *Reader) startStream() error {
	if r.in.offset() > 0 {
		if err := takePadding(r.in); err != nil {
			return err
		}
	}
	flags, err := takeStreamHeader(r.in)
	r.flags, r.blocks, r.inStream = flags, newListSum(), true
	return err
}
