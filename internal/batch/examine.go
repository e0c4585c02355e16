package batch

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"cardwright/internal/device"
	"cardwright/internal/job"
)

// An examined is what was found out of a card before anything is written to it.
type examined struct {
	card    Opened    // nil where it is refused
	refused []string  // why it may not be written
	held    objection // why it is not overwritten at once
	silent  bool      // it did not answer, or left meanwhile, and is not asked again
}

// examine opens the card and, unless it may be overwritten anyway, finds out what it holds. While it may not be written, that is
// told, and tried again whenever something changes: what mounted it may let go of it. It tells false where the card left before,
// or the batch is over.
func (y *bay) examine(ctx context.Context, seat device.Seat, may bool) (e examined, ok bool) {
	y.enter(PhaseLooking)
	var told []string
	ok = y.await(ctx, seat, func() bool {
		if e.silent {
			return false
		}
		if e = y.withinLimit(ctx, seat, func() examined { return y.openAndJudge(ctx, seat, may) }); len(e.refused) == 0 {
			return true
		}
		if !slices.Equal(e.refused, told) && !y.left(seat) && !y.batch.over(ctx) {
			told = e.refused
			y.enterFor(PhaseRefused, told)
			y.batch.tell(Event{Kind: KindRefused, Bay: y.Name, Device: seat.Node, Reasons: told})
		}
		return false
	})
	return e, ok
}

// withinLimit does not wait for a card that never answers, or that is not there any more. Such a card is closed when it answers
// after all.
func (y *bay) withinLimit(ctx context.Context, seat device.Seat, look func() examined) examined {
	limit := cmp.Or(y.batch.options.StallLimit, job.DefaultStallLimit)
	found := make(chan examined, 1)
	go func() { found <- look() }() // ends with the look; awaited below, or by AwaitStuck
	silence := time.NewTimer(limit)
	defer silence.Stop()
	for {
		changed := y.batch.stir.changed()
		silent := false
		select {
		case e := <-found:
			return e
		case <-silence.C:
			silent = true
		case <-changed:
		}
		if !silent && !y.left(seat) && !y.batch.over(ctx) {
			continue
		}
		var late examined
		y.leaveBehind(func() { late = <-found }, func() {
			if late.card != nil {
				_ = late.card.Close() // nothing was written
			}
		})
		return examined{silent: true, refused: []string{fmt.Sprintf("it has not answered for %v; take it out", limit)}}
	}
}

// openAndJudge opens the card and finds out what speaks against writing it, and against doing so at once.
func (y *bay) openAndJudge(ctx context.Context, seat device.Seat, may bool) examined {
	card, err := y.Slot.Open(ctx, seat)
	if err != nil {
		return examined{refused: device.ReasonsOf(err)}
	}
	if needed := y.batch.options.Facts.ImageBytes; card.SizeBytes() < needed {
		_ = card.Close() // nothing was written
		return examined{refused: []string{
			fmt.Sprintf("it is too small: the image needs %d bytes, the card has %d", needed, card.SizeBytes()),
		}}
	}
	e := examined{card: card}
	if !may {
		e.held = y.batch.judge(ctx, card)
	}
	return e
}
