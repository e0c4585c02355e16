package batch

import (
	"context"
	"time"

	"cardwright/internal/device"
)

// A reseat is a held card that was taken out.
type reseat struct {
	seat device.Seat // that it was held in
	mark mark
	at   time.Time
}

// isSameStay tells whether a card never left: a bay that showed none for a moment shows it under the same count of media.
func (r reseat) isSameStay(now device.Seat) bool { return r.seat.Seq != 0 && r.seat == now }

// seatedAgain tells whether this is the card that was held here and taken out just now, by which the operator says that it may
// be overwritten.
func (y *bay) seatedAgain(o objection) bool {
	before := y.unseated
	y.unseated = reseat{}
	if before.at.IsZero() || time.Since(before.at) > ReseatWithin || before.mark != o.mark || !o.mark.tells() ||
		before.isSameStay(y.seat) {
		return false
	}
	y.batch.tell(Event{Kind: KindReleased, Bay: y.Name, Device: y.seat.Node, Reasons: []string{"it was seated again"}})
	return true
}

// hold waits for the operator. It tells false where the card was taken out or the batch is over.
func (y *bay) hold(ctx context.Context, seat device.Seat, o objection) bool {
	y.mu.Lock()
	y.released = false
	y.mu.Unlock()
	y.enterFor(PhaseHeld, o.reasons)
	y.batch.tell(Event{Kind: KindHeld, Bay: y.Name, Device: seat.Node, Reasons: o.reasons})
	may := y.await(ctx, seat, func() bool {
		y.mu.Lock()
		defer y.mu.Unlock()
		return y.released
	})
	if may {
		y.batch.tell(Event{Kind: KindReleased, Bay: y.Name, Device: seat.Node, Reasons: []string{"the operator said so"}})
	} else if y.left(seat) {
		y.unseated = reseat{seat, o.mark, time.Now()}
	}
	return may
}

// release is the operator's word for the card that is held.
func (y *bay) release() error {
	y.mu.Lock()
	held := y.phase == PhaseHeld
	y.released = y.released || held
	y.mu.Unlock()
	if !held {
		return ErrNotHeld
	}
	y.batch.stir.all()
	return nil
}
