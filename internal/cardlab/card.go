package cardlab

import (
	"fmt"
	"io"
	"sync"
	"syscall"
	"unsafe"

	"cardwright/flash"
)

// A Card is an emulated memory card, plugged in. It implements flash.Card. Several goroutines may use it at once, as the
// kernel does; it works on one request after the other.
type Card struct {
	traits Traits

	mu        sync.Mutex // guards all below; never held while the card takes its time
	medium    *medium
	memory    memory
	clock     busyClock
	inject    func(Op) Fault
	power     chan struct{} // closed when the card vanishes: ends every wait
	state     state
	worn      bool // takes no more writes, for good
	counts    Counts
	since     Counts // counts when the card was plugged in
	nextBytes int64  // where a sequential write would begin
	flipped   []bool // by index into traits.Flips
	stalled   []bool // by index into traits.Stalls
	reads     uint64 // of unstable ranges: what makes each differ
	asked     spanSet
	written   spanSet
}

// A state is whether a card answers.
type state uint8

const (
	answering state = iota
	silent
	gone
)

// Counts are what a card was asked to do, and what it moved.
type Counts struct {
	Operations   int   // writes, reads and flushes that began
	Flushes      int   // flushes that began
	WrittenBytes int64 // taken from the host, forgotten ones included
	ReadBytes    int64 // given to the host
}

var (
	_ flash.Card      = (*Card)(nil)
	_ flash.Discarder = (*Card)(nil)
)

// New makes a fresh card in memory and plugs it in. Its error wraps ErrTraits. To live on a synctest clock, the card must be made
// inside the bubble.
func New(traits Traits) (*Card, error) {
	traits = traits.normal()
	if err := traits.check(); err != nil {
		return nil, err
	}
	return &Card{
		traits:  traits,
		medium:  newMedium(traits),
		memory:  memory{limitBytes: traits.MemoryBytes, sectorBytes: traits.SectorBytes},
		inject:  func(Op) Fault { return FaultNone },
		power:   make(chan struct{}),
		flipped: make([]bool, len(traits.Flips)),
		stalled: make([]bool, len(traits.Stalls)),
	}, nil
}

// ReadAt reads whole sectors. Its errors are *Error, and io.EOF past the end.
func (c *Card) ReadAt(p []byte, offsetBytes int64) (int, error) {
	op := Op{Kind: OpRead, OffsetBytes: offsetBytes, LengthBytes: len(p)}
	if err := c.checkCall(p, op); err != nil {
		return 0, err
	}
	return c.read(p, offsetBytes)
}

// WriteAt writes whole sectors. Its errors are *Error; past the end they wrap ENOSPC.
func (c *Card) WriteAt(p []byte, offsetBytes int64) (int, error) {
	op := Op{Kind: OpWrite, OffsetBytes: offsetBytes, LengthBytes: len(p)}
	if err := c.checkCall(p, op); err != nil {
		return 0, err
	}
	return c.write(p, offsetBytes)
}

// Flush syncs what was written so far. Its errors are *Error.
func (c *Card) Flush() error {
	run := c.begin(Op{Kind: OpFlush})
	return run.do(func() {
		if run.err == nil {
			c.medium.sync()
		}
	})
}

// Discard forgets what whole sectors hold, as the card's traits say. Its errors are *Error; on a card that takes no discards they
// wrap flash.ErrNoDiscard.
func (c *Card) Discard(offsetBytes, lengthBytes int64) error {
	op := Op{Kind: OpDiscard, OffsetBytes: offsetBytes, LengthBytes: int(lengthBytes)}
	sector := int64(c.traits.SectorBytes)
	switch {
	case c.traits.Discards == DiscardNone:
		return &Error{op, flash.ErrNoDiscard}
	case offsetBytes < 0 || lengthBytes < 0 || offsetBytes%sector != 0 || lengthBytes%sector != 0 ||
		offsetBytes > c.traits.SizeBytes-lengthBytes:
		return &Error{op, fmt.Errorf("no whole sectors of the card: %w", syscall.EINVAL)}
	}
	run := c.begin(op)
	return run.do(func() { c.forget(offsetBytes, int64(run.keep)) })
}

// DropCache has nothing to drop: every read comes from the medium. It fails only when the card is gone.
func (c *Card) DropCache() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.state == gone {
		return flash.ErrGone
	}
	return nil
}

// SizeBytes is the capacity that the card states.
func (c *Card) SizeBytes() int64 { return c.traits.SizeBytes }

// SectorBytes is the card's sector size.
func (c *Card) SectorBytes() int { return c.traits.SectorBytes }

// Direct is always true: there is no cache in between.
func (c *Card) Direct() bool { return true }

// Traits are the card's traits, with what zero stands for filled in.
func (c *Card) Traits() Traits { return c.traits.normal() }

// Inject makes faults happen: it is asked about every operation that begins from now on. It must not call the card.
func (c *Card) Inject(injector func(Op) Fault) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.inject = injector
}

// Counts are the card's counts since it was made.
func (c *Card) Counts() Counts {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.counts
}

// checkCall holds callers to the terms of flash.Card, as direct I/O on a real device would.
func (c *Card) checkCall(p []byte, op Op) error {
	sector := int64(c.traits.SectorBytes)
	address := uintptr(unsafe.Pointer(unsafe.SliceData(p)))
	switch {
	case op.OffsetBytes < 0 || op.OffsetBytes%sector != 0 || int64(len(p))%sector != 0:
		return &Error{op, fmt.Errorf("no whole sectors: %w", syscall.EINVAL)}
	case len(p) > 0 && address%flash.AlignBytes != 0:
		return &Error{op, fmt.Errorf("the buffer starts at no multiple of %d in memory: %w", flash.AlignBytes, syscall.EINVAL)}
	case op.OffsetBytes <= c.traits.SizeBytes-int64(len(p)):
		return nil
	case op.Kind == OpRead:
		return io.EOF
	}
	return &Error{op, syscall.ENOSPC}
}

// write is WriteAt without its checks.
func (c *Card) write(p []byte, offsetBytes int64) (int, error) {
	run := c.begin(Op{Kind: OpWrite, OffsetBytes: offsetBytes, LengthBytes: len(p)})
	err := run.do(func() { c.store(p[:run.keep], offsetBytes) })
	return run.moved, err
}

// read is ReadAt without its checks.
func (c *Card) read(p []byte, offsetBytes int64) (int, error) {
	run := c.begin(Op{Kind: OpRead, OffsetBytes: offsetBytes, LengthBytes: len(p)})
	err := run.do(func() {
		c.load(p[:run.take], offsetBytes)
		c.distort(p[:run.take], offsetBytes)
	})
	return run.moved, err
}
