package job

import (
	"context"
	"fmt"
	"runtime/debug"
	"sync"

	"cardwright/flash"
	"cardwright/internal/logbook"
	"cardwright/verify"
)

// buffersPerCard lets each card write a block of its own; buffersForSource keeps the head, lets the decoder and the digests work
// meanwhile, and lets two blocks wait for the cards. Of a prepared image, one block is read while another is written.
const (
	buffersPerCard     = 1
	buffersForSource   = 5
	buffersForPrepared = 2
)

// worthFreeing is the length of an image from which on its decoding leaves memory that is worth giving back at once.
const worthFreeing = 32 << 20

// BatchBufferBytes is what the buffers of so many jobs at once take, of one card each, with a prepared image.
func BatchBufferBytes(cards int) int64 {
	return int64((buffersForPrepared+buffersPerCard+verify.Buffers)*cards) * flash.BlockBytes
}

// BufferBytes is what the buffers of a job with so many cards take: those that an image's blocks go through, and those of the
// proofs.
func BufferBytes(cards int) int64 {
	return int64(buffersForSource+(buffersPerCard+verify.Buffers)*cards) * flash.BlockBytes
}

// Flash puts one image on every target at once. It always gives a result, with one run per target in their order; what
// went wrong stands in the runs. Once it returns, no goroutine of it touches a card, but for one that was not waited for, which
// the run then says: it does nothing more than blank the head.
func Flash(ctx context.Context, image Image, targets []Target, o Options) *Result {
	facts := image.Facts()
	if runs, refused := tooSmall(image, targets, logbook.OperationFlash); refused {
		return &Result{facts, runs, restOf(nil)}
	}
	pump := flash.NewPump(flash.NewPool(o.sourceBuffers() + buffersPerCard*len(targets)))
	declared, _ := image.DeclaredBytes()
	pump.Free = freeBlocks(o.Free, declared)
	pump.Patience = min(flash.DefaultPatience, o.stallLimit())
	excerpt := observed(pump, image)
	for _, t := range targets {
		if pump.LimitBytes == 0 || t.Card.SizeBytes() < pump.LimitBytes {
			pump.LimitBytes = t.Card.SizeBytes()
		}
	}
	ways, again := make([]*way, len(targets)), &secondLook{open: o.Again}
	for i, t := range targets {
		t.Conditions.CardsAtOnce, t.Conditions.SkipFree = len(targets), pump.Free != nil
		t.Conditions.FloorBytesPerSecond = o.FloorBytesPerSecond
		known := cardKnown(ctx, o.Book, t)
		t.Rated = PrintedOn(t.Rated, known)
		ways[i] = newWay(t, o, pump, excerpt, image, again)
		if finding, found := foundBefore(known); found {
			ways[i].find(finding)
		}
	}
	pumping, stop := context.WithCancel(ctx)
	pumped := make(chan struct{})
	go func() { // ends with the image, or when no card is left; awaited below
		defer close(pumped)
		_ = pump.Run(pumping, image) // every way learns the outcome from its feed
		if !o.Prepared && pump.Manifest().ImageBytes >= worthFreeing {
			debug.FreeOSMemory() // what decoding took; the proofs take theirs now
		}
	}()
	runs := walkAll(ctx, ways)
	stop()
	<-pumped
	return &Result{image.Facts(), runs, restOf(ways)}
}

// restOf gives a channel that is closed when every way that was begun has ended.
func restOf(ways []*way) <-chan struct{} {
	rest := make(chan struct{})
	go func() { // ends with the last way
		defer close(rest)
		for _, w := range ways {
			if w.end != nil {
				<-w.done
			}
		}
	}()
	return rest
}

// walkAll waits for the image's head, checks every target once more, and only when all of them pass lets the cards go
// their ways.
func walkAll(ctx context.Context, ways []*way) []logbook.Run {
	if ways[0].feed.AwaitHead(ctx) == nil {
		if runs, refused := refusedNow(ways); refused {
			return runs
		}
	}
	for _, w := range ways {
		var going context.Context
		going, w.end = context.WithCancelCause(ctx)
		defer w.end(nil)
		go w.walk(going) // ends with its card's last step; awaited below, unless its call never returns
	}
	runs := make([]logbook.Run, len(ways))
	var waiting sync.WaitGroup
	for i, w := range ways {
		waiting.Go(func() { runs[i] = w.await(ctx) }) // each at once, since a card that is stuck is given up in its time
	}
	waiting.Wait()
	return runs
}

// refusedNow asks every reader whether its card is still what was judged. One that is not refuses all.
func refusedNow(ways []*way) (runs []logbook.Run, refused bool) {
	causes := make([]error, len(ways))
	for i, w := range ways {
		if w.Reader != nil {
			causes[i] = w.Reader.Recheck()
		}
		refused = refused || causes[i] != nil
	}
	for i, w := range ways {
		runs = append(runs, refuse(w.run, causes[i]))
	}
	return runs, refused
}

// refuse makes a run that wrote nothing. Without a cause of its own, the card was refused for another's sake.
func refuse(run logbook.Run, cause error) logbook.Run {
	if cause == nil {
		cause = errAnotherRefused
	}
	run.Verdict, run.PaceReason = logbook.Refused, "nothing was written"
	run.Error = &logbook.Failure{Step: flash.StepOpen, Class: logbook.ClassRefused, Cause: cause.Error()}
	return run
}

// tooSmall refuses all targets when the image is known not to fit on one of them.
func tooSmall(image Image, targets []Target, operation logbook.Operation) (runs []logbook.Run, refused bool) {
	declared, known := image.DeclaredBytes()
	for _, t := range targets {
		var cause error
		if known && t.Card.SizeBytes() < declared {
			refused = true
			cause = fmt.Errorf("%w: it needs %d bytes, the card has %d", flash.ErrTooSmall, declared, t.Card.SizeBytes())
		}
		runs = append(runs, refuse(newRun(t, operation), cause))
	}
	return runs, refused
}

// await gives the run once its way ended. A card that was set aside, that stopped answering, or that an interrupt finds stuck
// in a call, is not waited for: its run says so, and nothing but blanking follows once the call returns.
func (w *way) await(ctx context.Context) logbook.Run {
	v := vigil{meter: w.Meter, stallLimit: w.stallLimit, done: w.done, othersWait: w.heldOthersBack}
	if cause := v.keep(ctx); cause != nil {
		w.abandon(ctx, cause)
	}
	return w.result()
}

// heldOthersBack sets cards aside that stand still while others wait, and gives an error where this is one of them.
func (w *way) heldOthersBack() error {
	w.pump.SetAside()
	select {
	case <-w.feed.Aside():
		return flash.ErrHeldOthersBack
	default:
		return nil
	}
}

// abandon closes the record of a way that goes on, and ends that way; the others get its share of the blocks.
func (w *way) abandon(ctx context.Context, cause error) {
	if w.giveUp(ctx, w.Meter, cause) {
		w.end(cause)
		w.feed.Close()
	}
}
