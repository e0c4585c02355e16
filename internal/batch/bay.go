package batch

import (
	"context"
	"errors"
	"sync"
	"sync/atomic"
	"time"

	"cardwright/flash"
	"cardwright/internal/device"
)

// A bay works through the cards that are seated in it, one after the other. Its goroutine owns it, but for what mu guards.
type bay struct {
	Bay
	batch      *Batch
	unreturned atomic.Int32 // calls to cards that were not waited for
	unseated   reseat       // of the card that was held and taken out last

	mu       sync.Mutex // guards what follows
	phase    Phase
	seat     device.Seat
	turn     turn
	reasons  []string
	released bool // the operator said that the held card may be overwritten
	last     *Card
	meter    *flash.Meter // of the card at work
	pacer    pacer
}

// work serves one card after the other until no more are wanted.
func (y *bay) work(ctx context.Context) {
	for {
		seat, ok := y.awaitCard(ctx)
		if !ok {
			y.enter(PhaseIdle)
			return
		}
		y.serve(ctx, seat)
		if !y.awaitDeparture(ctx, seat) {
			y.enter(PhaseIdle)
			return
		}
	}
}

// awaitCard waits for a card while one is wanted, and tells false once the batch is over.
func (y *bay) awaitCard(ctx context.Context) (seat device.Seat, ok bool) {
	y.enter(PhaseEmpty)
	for {
		changed := y.batch.stir.changed()
		if y.batch.over(ctx) {
			return seat, false
		}
		if y.batch.ledger.wantsOne() {
			if seat, err := y.Slot.Look(); err == nil && seat.Present {
				return seat, true
			}
		}
		<-changed
	}
}

// awaitDeparture waits until the card was taken out, and tells false once the batch is over.
func (y *bay) awaitDeparture(ctx context.Context, seat device.Seat) bool {
	for {
		changed := y.batch.stir.changed()
		if y.left(seat) {
			y.batch.tell(Event{Kind: KindRemoved, Bay: y.Name, Device: seat.Node})
			return true
		}
		if y.batch.over(ctx) {
			return false
		}
		<-changed
	}
}

// left tells whether the card that was seen is there no more, or another one in its place. What cannot be looked at was not seen
// to leave.
func (y *bay) left(seat device.Seat) bool {
	now, err := y.Slot.Look()
	return err == nil && now != seat
}

// serve does with one card what is to be done. It returns when the card's run has ended, or when there is none to be: the card
// was taken out, or the batch is over.
func (y *bay) serve(ctx context.Context, seat device.Seat) {
	y.seated(seat)
	may := y.batch.options.OverwriteAnything
	for {
		e, ok := y.examine(ctx, seat, may)
		if !ok {
			return
		}
		if len(e.held.reasons) > 0 && !y.seatedAgain(e.held) {
			_ = e.card.Close() // nothing was written
			if may = y.hold(ctx, seat, e.held); !may {
				return
			}
			continue
		}
		err := y.flash(ctx, e.card, seat)
		if err == nil {
			return
		}
		_ = e.card.Close() // nothing was written
		if !errors.Is(err, errNoTurn) || !y.awaitTurn(ctx, seat) {
			return
		}
	}
}

// awaitTurn waits, with a card seated, until one more is wanted. It tells false where the card left or the batch is over.
func (y *bay) awaitTurn(ctx context.Context, seat device.Seat) bool {
	y.enter(PhaseIdle)
	return y.await(ctx, seat, y.batch.ledger.wantsOne)
}

// await waits until something holds. It tells false where the card left before, or the batch is over.
func (y *bay) await(ctx context.Context, seat device.Seat, holds func() bool) bool {
	for {
		changed := y.batch.stir.changed()
		switch {
		case y.batch.over(ctx), y.left(seat):
			return false
		case holds():
			return true
		}
		<-changed
	}
}

// seated notes that a card appeared.
func (y *bay) seated(seat device.Seat) {
	y.batch.mu.Lock()
	if y.batch.first.IsZero() {
		y.batch.first = time.Now()
	}
	y.batch.mu.Unlock()
	y.mu.Lock()
	y.seat, y.turn, y.reasons = seat, turn{}, nil
	y.mu.Unlock()
	y.batch.tell(Event{Kind: KindSeated, Bay: y.Name, Device: seat.Node})
}

// leaveBehind waits apart for what may never return, and then ends what belongs to it.
func (y *bay) leaveBehind(wait, end func()) {
	y.unreturned.Add(1)
	y.batch.stuck.Go(func() {
		wait()
		y.unreturned.Add(-1)
		end()
		y.batch.stir.all()
	})
}

// enter says what the bay is at.
func (y *bay) enter(phase Phase) { y.enterFor(phase, nil) }

// enterFor says what the bay is at, and why.
func (y *bay) enterFor(phase Phase, reasons []string) {
	y.mu.Lock()
	defer y.mu.Unlock()
	y.phase, y.reasons = phase, reasons
}
