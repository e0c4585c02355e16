package flash

import (
	"context"
	"errors"
	"io"
	"sync"
	"sync/atomic"
	"time"
)

// A Feed is one card's end of a Pump: the blocks after the head, in order. One goroutine takes from it.
type Feed struct {
	meter   *Meter
	pieces  chan *piece // as roomy as the pool, so that offering never waits
	headSet chan struct{}
	over    chan struct{} // closed by Close or setAside: no more blocks are wanted
	aside   chan struct{} // closed by setAside alone
	waiting atomic.Bool

	mu      sync.Mutex // guards what follows, and sending on pieces against its closing
	hasHead bool       // the image's head is known
	stopped bool
	ended   bool
	took    bool  // the card took every block of an image that ended soundly
	err     error // why the blocks ended; io.EOF at the image's sound end
}

func newFeed(meter *Meter, room int) *Feed {
	return &Feed{
		meter: meter, pieces: make(chan *piece, room), headSet: make(chan struct{}),
		over: make(chan struct{}), aside: make(chan struct{}),
	}
}

// AwaitHead waits until the image's first block is known, which the pump then keeps. The error is the image's, the context's
// or ErrHeldOthersBack.
func (f *Feed) AwaitHead(ctx context.Context) error {
	select {
	case <-f.headSet:
	case <-f.over:
	case <-ctx.Done():
	}
	if ctx.Err() != nil { // also where the head came at the same time: after an interrupt nothing may be begun
		return context.Cause(ctx)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.hasHead {
		return nil
	}
	return f.err
}

// next waits for the next block. The error is io.EOF once the image ended soundly, else the image's, the context's or
// ErrHeldOthersBack.
func (f *Feed) next(ctx context.Context) (*piece, error) {
	if ctx.Err() != nil { // also where blocks wait: after an interrupt none may be begun
		return nil, context.Cause(ctx)
	}
	f.waiting.Store(true)
	defer f.waiting.Store(false)
	select {
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	case <-f.over:
		return nil, f.cause()
	case p, ok := <-f.pieces:
		if !ok {
			return nil, f.cause()
		}
		return p, nil
	}
}

// cause is why no block follows. Once it is io.EOF, it stays that.
func (f *Feed) cause() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.took = errors.Is(f.err, io.EOF)
	return f.err
}

// Close says that this card takes no more blocks and gives back those kept for it. It may be called at any time.
func (f *Feed) Close() { f.stop(io.ErrClosedPipe) }

// setAside closes the feed of a card that stands still; its writer learns so when its call returns at last.
func (f *Feed) setAside() {
	if f.stop(ErrHeldOthersBack) {
		close(f.aside)
	}
}

// stop ends the taking of blocks, and tells whether it was this call that did. Where blocks still wait, an image's sound end
// is not the card's.
func (f *Feed) stop(cause error) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.stopped {
		return false
	}
	f.stopped = true
	if f.err == nil || errors.Is(f.err, io.EOF) && !f.took {
		f.err = cause
	}
	close(f.over)
	for {
		select {
		case p, ok := <-f.pieces:
			if !ok {
				return true
			}
			p.release()
		default:
			return true
		}
	}
}

// Aside is closed when the card was given up because it held the others back.
func (f *Feed) Aside() <-chan struct{} { return f.aside }

func (f *Feed) closed() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.stopped
}

func (f *Feed) gotHead() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.hasHead = true
	close(f.headSet)
}

// offer adds a block, unless the card takes no more.
func (f *Feed) offer(p *piece) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.stopped {
		return
	}
	p.hold()
	f.pieces <- p
}

// end says that no block follows: err is nil after a sound end.
func (f *Feed) end(err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.ended {
		return
	}
	f.ended = true
	if f.err == nil {
		f.err = err
		if err == nil {
			f.err = io.EOF
		}
	}
	if !f.hasHead {
		close(f.headSet)
	}
	close(f.pieces)
}

// standsStill tells whether a call that writes to the card has been under way for the given time.
func (f *Feed) standsStill(patience time.Duration) bool {
	_, still := f.meter.CallFor(patience)
	return still && f.meter.writing() && !f.closed()
}

// waits tells whether the card is idle: for want of a block, or since it took all of them and is done.
func (f *Feed) waits() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.stopped {
		return f.took
	}
	return f.waiting.Load() && len(f.pieces) == 0
}
