package batch

import (
	"cmp"
	"context"
	"errors"
	"sync"
	"time"

	"cardwright/internal/job"
)

var (
	// ErrNoBay says that there is no bay of that name.
	ErrNoBay = errors.New("there is no bay of that name")
	// ErrNotHeld says that no card is held in that bay.
	ErrNotHeld = errors.New("no card is held in that bay")
)

// A Batch works through cards until no more are wanted. Run is called once; every other method may be called from any
// goroutine meanwhile.
type Batch struct {
	options   Options
	cardBytes int64 // what is written to each card
	bays      []*bay
	ledger    *ledger
	stir      stir           // something changed: in a bay, in the ledger, in what the operator wants
	stuck     sync.WaitGroup // cards that are not waited for, until their last call returns

	telling sync.Mutex // held while an event is told
	mu      sync.Mutex // guards what follows
	ending  bool
	first   time.Time // when the first card was seated
	cards   []Card
}

// Open makes a batch; what was done in it before is read from the logbook.
func Open(ctx context.Context, o Options) (*Batch, error) {
	ledger, err := openLedger(ctx, o)
	if err != nil {
		return nil, err
	}
	b := &Batch{options: o, ledger: ledger, cardBytes: o.Facts.ImageBytes - job.FreeBytes(o.Free, o.Facts.ImageBytes)}
	for _, y := range o.Bays {
		b.bays = append(b.bays, &bay{Bay: y, batch: b, phase: PhaseEmpty})
	}
	return b, nil
}

// Run works until all wanted cards are done, or until Finish was called and the cards at work are finished. When the context
// ends, cards at work are stopped within a block and keep no head. The error says why no more numbers could be given out; the
// totals are true all the same.
func (b *Batch) Run(ctx context.Context) (Totals, error) {
	b.tell(Event{Kind: KindBegun, Batch: b.facts()})
	began := time.Now()
	watching, stop := context.WithCancel(ctx)
	var watch sync.WaitGroup
	watch.Go(func() { b.watch(watching) })
	var working sync.WaitGroup
	for _, y := range b.bays {
		working.Go(func() { y.work(ctx) }) // each on its own clock
	}
	working.Wait()
	stop()
	watch.Wait()
	totals := b.totals(began)
	b.tell(Event{Kind: KindEnded, Totals: &totals})
	return totals, b.ledger.failure()
}

// AwaitStuck waits until nothing goes on any more, also with cards that Run did not wait for. Where that takes longer than a
// moment, it tells first in which bays a call has not returned.
func (b *Batch) AwaitStuck(tell func(bays []string)) {
	returned := make(chan struct{})
	go func() { // ends with the last call
		defer close(returned)
		b.stuck.Wait()
	}()
	moment := time.NewTimer(time.Second)
	defer moment.Stop()
	select {
	case <-returned:
		return
	case <-moment.C:
	}
	var bays []string
	for _, y := range b.bays {
		if y.unreturned.Load() > 0 {
			bays = append(bays, y.Name)
		}
	}
	tell(bays)
	<-returned
}

// Finish lets the cards at work be finished and no more be begun.
func (b *Batch) Finish() {
	b.mu.Lock()
	first := !b.ending
	b.ending = true
	b.mu.Unlock()
	if first {
		b.tell(Event{Kind: KindEnding})
		b.stir.all()
	}
}

// Release lets the card that is held in a bay be overwritten. The error is ErrNoBay or ErrNotHeld.
func (b *Batch) Release(name string) error {
	for _, y := range b.bays {
		if y.Name == name {
			return y.release()
		}
	}
	return ErrNoBay
}

// Looks tells what each bay is at, in their order.
func (b *Batch) Looks() []Look {
	looks := make([]Look, len(b.bays))
	for i, y := range b.bays {
		looks[i] = y.look()
	}
	return looks
}

// watch stirs the bays whenever the kernel saw something come or go, and now and then besides: an event may be lost.
func (b *Batch) watch(ctx context.Context) {
	poll := time.NewTicker(cmp.Or(b.options.Poll, DefaultPoll))
	defer poll.Stop()
	changes := b.options.Changes
	for {
		select {
		case <-ctx.Done():
			b.stir.all()
			return
		case <-poll.C:
			b.stir.all()
		case _, ok := <-changes:
			if !ok {
				changes = nil
				continue
			}
			b.stir.all()
		}
	}
}

// over tells whether no card is to be begun any more.
func (b *Batch) over(ctx context.Context) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.ending || ctx.Err() != nil || b.ledger.complete()
}

// tell tells an event.
func (b *Batch) tell(e Event) {
	b.telling.Lock()
	defer b.telling.Unlock()
	e.At = time.Now().UTC()
	b.options.Tell(e)
}

// facts tells of the batch as a whole.
func (b *Batch) facts() *Facts {
	f := &Facts{
		Name: b.options.Name, Image: b.options.Facts, CardBytes: b.cardBytes, Wanted: b.ledger.wanted, Before: b.ledger.before,
		Bays: []BayFacts{},
	}
	for _, y := range b.bays {
		f.Bays = append(f.Bays, BayFacts{Name: y.Name, Device: y.Device, Place: y.Slot.Place()})
	}
	return f
}
