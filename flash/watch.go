package flash

import (
	"fmt"
	"sync/atomic"
	"time"
)

// A CallKind is what a call asks of a card.
type CallKind int32

// The kinds of calls.
const (
	CallRead CallKind = iota
	CallWrite
	CallFlush
	CallDiscard
	CallControl // neither moves bytes nor makes them safe: dropping a cache, reading the table again
)

// A Call is a call to a card that has not returned yet.
type Call struct {
	Kind        CallKind
	OffsetBytes int64         // reads, writes and discards: where
	LengthBytes int           // reads, writes and discards: how many bytes
	Took        time.Duration // so far
}

// HasPlace tells whether the call is about a place on the card.
func (c Call) HasPlace() bool {
	return c.Kind == CallRead || c.Kind == CallWrite || c.Kind == CallDiscard
}

// String names the call as a report does.
func (c Call) String() string {
	switch c.Kind {
	case CallRead:
		return fmt.Sprintf("a read of %d bytes at byte %d", c.LengthBytes, c.OffsetBytes)
	case CallWrite:
		return fmt.Sprintf("a write of %d bytes at byte %d", c.LengthBytes, c.OffsetBytes)
	case CallFlush:
		return "a flush"
	case CallDiscard:
		return fmt.Sprintf("a discard of %d bytes at byte %d", c.LengthBytes, c.OffsetBytes)
	}
	return "a request to the kernel"
}

// callUnderWay holds the one call that a card is at. Numbers and no pointer, so that a call costs no memory.
type callUnderWay struct {
	turns  atomic.Uint64 // one more when a call begins and when it returns: odd while one is under way
	since  atomic.Int64  // nanoseconds after start
	kind   atomic.Int32
	offset atomic.Int64
	length atomic.Int64
}

// start is what calls are timed from. It carries the monotonic clock, so that no correction of the time of day, and no
// sleep of the machine, makes a call look long.
var start = time.Now()

// Calling notes that a call to the card begins, until Returned. Calls do not overlap.
func (m *Meter) Calling(kind CallKind, offsetBytes int64, lengthBytes int) {
	m.call.since.Store(int64(time.Since(start)))
	m.call.kind.Store(int32(kind))
	m.call.offset.Store(offsetBytes)
	m.call.length.Store(int64(lengthBytes))
	m.call.turns.Add(1)
}

// Returned notes that the call returned.
func (m *Meter) Returned() { m.call.turns.Add(1) }

// Call gives the call that is under way; ok is false where there is none.
func (m *Meter) Call() (call Call, ok bool) {
	turns := m.call.turns.Load()
	call = Call{
		CallKind(m.call.kind.Load()), m.call.offset.Load(), int(m.call.length.Load()),
		time.Since(start) - time.Duration(m.call.since.Load()),
	}
	return call, turns%2 == 1 && m.call.turns.Load() == turns // else the call changed between two loads
}

// CallFor gives the call that has been under way for at least so long; ok is false where there is none.
func (m *Meter) CallFor(atLeast time.Duration) (call Call, ok bool) {
	call, ok = m.Call()
	return call, ok && call.Took >= atLeast
}

// Watch gives the card with its calls shown to the meter while they are under way, so that a card that stops answering
// can be told from one that waits for its image. A Writer and a Prover watch their cards themselves.
func Watch(card Card, meter *Meter) Card {
	if w, ok := card.(watched); ok && w.meter == meter {
		return card
	}
	return watched{card, meter}
}

type watched struct {
	Card
	meter *Meter
}

func (w watched) ReadAt(p []byte, offsetBytes int64) (int, error) {
	w.meter.Calling(CallRead, offsetBytes, len(p))
	defer w.meter.Returned()
	return w.Card.ReadAt(p, offsetBytes)
}

func (w watched) WriteAt(p []byte, offsetBytes int64) (int, error) {
	w.meter.Calling(CallWrite, offsetBytes, len(p))
	defer w.meter.Returned()
	return w.Card.WriteAt(p, offsetBytes)
}

func (w watched) Flush() error {
	w.meter.Calling(CallFlush, 0, 0)
	defer w.meter.Returned()
	return w.Card.Flush()
}

// Discard is ErrNoDiscard where the card is no Discarder.
func (w watched) Discard(offsetBytes, lengthBytes int64) error {
	discarder, ok := w.Card.(Discarder)
	if !ok {
		return ErrNoDiscard
	}
	w.meter.Calling(CallDiscard, offsetBytes, int(lengthBytes))
	defer w.meter.Returned()
	return discarder.Discard(offsetBytes, lengthBytes)
}

func (w watched) DropCache() error {
	w.meter.Calling(CallControl, 0, 0)
	defer w.meter.Returned()
	return w.Card.DropCache()
}
