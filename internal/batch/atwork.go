package batch

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/device"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
	"cardwright/internal/project"
)

// errTakenOut ends the run of a card that is not in its bay any more.
var errTakenOut = fmt.Errorf("%w: it was taken out of its bay", flash.ErrGone)

// flash gives a card its turn and carries that out; the card is closed then. The error is errNoTurn, with the card left open, or
// why there was no number for it; what became of the card is told as an event.
func (y *bay) flash(ctx context.Context, card Opened, seat device.Seat) error {
	t, err := y.batch.ledger.take(ctx)
	if err != nil {
		return err
	}
	meter := &flash.Meter{}
	y.atWork(t, meter)
	y.batch.tell(Event{Kind: KindStarted, Bay: y.Name, Device: seat.Node, Label: t.label, Number: t.number})
	run := y.carryOut(ctx, card, seat, t, meter)
	y.batch.ledger.settle(ctx, t, &run)
	y.finished(t, &run)
	y.batch.tell(Event{Kind: KindFinished, Bay: y.Name, Device: seat.Node, Label: t.label, Number: t.number, Run: &run})
	y.batch.stir.all() // a row may be free again, or the batch complete
	return nil
}

// carryOut does the job for one card and closes it: at once, since the kernel keeps the place of a card that was taken out until
// its last descriptor is closed; or, where a call has not returned yet, when it does.
func (y *bay) carryOut(ctx context.Context, card Opened, seat device.Seat, t turn, meter *flash.Meter) logbook.Run {
	going, end := context.WithCancelCause(ctx)
	defer end(nil)
	d := card.Description()
	target := job.Target{
		Card: card, Reader: card, Device: seat.Node, Label: t.label, Meter: meter, Number: t.number,
		BatchID: y.batch.options.Record.ID(), Conditions: job.ConditionsOf(d, y.batch.options.Conditions),
		Identity: job.IdentityOf(d), Twins: d.Twins, Rated: y.batch.options.Rated,
	}
	image := y.batch.imageFor(going, t, &target)
	watched := make(chan struct{})
	watching, stop := context.WithCancel(going)
	go func() { // ends with the job; awaited below
		defer close(watched)
		y.watch(watching, seat, meter, end)
	}()
	result := job.Flash(going, image, []job.Target{target}, y.batch.jobOptions())
	stop()
	<-watched
	y.leaveBehind(func() { <-result.Rest }, func() {
		_ = card.Close()  // its run is closed; a card that fails now was proven before
		_ = image.Close() // it was only read
	})
	return result.Cards[0]
}

// jobOptions are those of each card's job.
func (b *Batch) jobOptions() job.Options {
	return job.Options{
		Book: b.options.Book, FloorBytesPerSecond: b.options.FloorBytesPerSecond, StallLimit: b.options.StallLimit,
		Prepared: true, Again: b.again, Free: b.options.Free,
	}
}

// again opens the image once more, to find out where wrong content comes from.
func (b *Batch) again(ctx context.Context) (io.ReadCloser, error) { return b.options.Image(ctx) }

// imageFor begins a reading of the image, and makes the files that go onto the card with it. What fails of that becomes the
// image's failure, so that the run tells of it.
func (b *Batch) imageFor(ctx context.Context, t turn, target *job.Target) Image {
	image, err := b.options.Image(ctx)
	if err != nil {
		return unreadable{b.options.Facts, err}
	}
	if b.options.Files == nil {
		return image
	}
	row := t.row
	if row == nil {
		row = project.Row{project.LabelColumn: t.label}
	}
	target.Files, err = b.options.Files.Render(project.Data{
		Row: row, Number: t.number, Image: b.options.Facts.Name, ImageSHA256: b.options.Facts.ImageSHA256, Time: time.Now(),
	})
	if err != nil {
		return unreadable{b.options.Facts, errors.Join(err, image.Close())}
	}
	return image
}

// An unreadable is an image of which not one byte can be read.
type unreadable struct {
	facts source.Facts
	cause error
}

func (u unreadable) Read([]byte) (int, error) { return 0, u.cause }

func (u unreadable) Facts() source.Facts { return u.facts }

func (u unreadable) DeclaredBytes() (int64, bool) { return u.facts.ImageBytes, true }

func (u unreadable) Close() error { return nil }

// watch looks after a card at work: it ends the work when the card left its bay, and tells once when the card is slow.
func (y *bay) watch(ctx context.Context, seat device.Seat, meter *flash.Meter, end context.CancelCauseFunc) {
	slow := false
	second := time.NewTicker(time.Second)
	defer second.Stop()
	for {
		changed := y.batch.stir.changed()
		if y.left(seat) {
			end(errTakenOut)
			return
		}
		look := meter.Look()
		y.pacer.saw(look, time.Now())
		if look.Pace.Pace.IsSlow() && !slow {
			slow = true
			y.tellSlow(seat, look)
		}
		select {
		case <-ctx.Done():
			return
		case <-changed:
		case <-second.C:
		}
	}
}

func (y *bay) tellSlow(seat device.Seat, look flash.Progress) {
	y.mu.Lock()
	t := y.turn
	y.mu.Unlock()
	e := Event{Kind: KindSlow, Bay: y.Name, Device: seat.Node, Label: t.label, Number: t.number, Pace: look.Pace}
	if look.Busy > 0 {
		e.Rate = float64(look.WrittenBytes) / look.Busy.Seconds()
	}
	y.batch.tell(e)
}

// atWork notes that the card has its turn.
func (y *bay) atWork(t turn, meter *flash.Meter) {
	y.mu.Lock()
	y.turn, y.meter = t, meter
	y.mu.Unlock()
	y.pacer.begin()
	y.enter(PhaseWorking)
}

// finished notes what became of the card.
func (y *bay) finished(t turn, run *logbook.Run) {
	y.pacer.ended(time.Now())
	card := cardOf(y.Name, t.number, run)
	y.batch.mu.Lock()
	y.batch.cards = append(y.batch.cards, card)
	y.batch.mu.Unlock()
	y.mu.Lock()
	y.last, y.meter = &card, nil
	y.mu.Unlock()
	y.enter(PhaseFinished)
}

// look tells what the bay is at.
func (y *bay) look() Look {
	y.mu.Lock()
	defer y.mu.Unlock()
	l := Look{
		Bay: y.Name, Phase: y.phase, Device: cmp.Or(y.seat.Node, y.Device), Label: y.turn.label,
		Number: y.turn.number, Reasons: y.reasons, Last: y.last,
	}
	if y.meter != nil {
		progress := y.meter.Look()
		l.Progress = &progress
		l.Left = y.pacer.left(progress, y.batch.cardBytes, time.Now())
	}
	return l
}
