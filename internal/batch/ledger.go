package batch

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"

	"cardwright/internal/logbook"
	"cardwright/internal/project"
)

// A ledger knows how many cards are wanted, and gives each its number and its row. A row is given to one card at a time, and is
// given again when that card failed; a number is never given twice.
type ledger struct {
	record *logbook.Batch
	wanted int // in all; 0: as many as come
	before int // done before, by an earlier program
	rows   []project.Row

	mu      sync.Mutex    // guards what follows
	free    []project.Row // not given out now, and not done
	atWork  int
	done    int
	problem error // why no more numbers can be given out
}

// A turn is what one card is given: its number, its label and its row.
type turn struct {
	number int64
	label  string
	row    project.Row // nil where there is no sheet
}

// ErrImageLost says that the image, or what goes onto each card with it, can be used for no more cards.
var ErrImageLost = errors.New("no more cards can be begun")

// errNoTurn says that all wanted cards are done or at work.
var errNoTurn = errors.New("no more cards are wanted now")

func openLedger(ctx context.Context, o Options) (*ledger, error) {
	l := &ledger{record: o.Record, wanted: o.Wanted, rows: o.Rows}
	if o.Rows != nil && (l.wanted == 0 || l.wanted > len(o.Rows)) {
		l.wanted = len(o.Rows)
	}
	turns, err := o.Record.Turns(ctx)
	if err != nil {
		return nil, err
	}
	doneLabels := map[string]bool{}
	for _, t := range turns {
		if t.State == logbook.TurnDone {
			l.before++
			doneLabels[t.Label] = true
		}
	}
	l.free = slices.DeleteFunc(slices.Clone(o.Rows), func(r project.Row) bool { return doneLabels[r.Label()] })
	if o.Rows != nil {
		l.before = len(o.Rows) - len(l.free) // rows that the sheet has no more are no cards of it
	}
	l.done = l.before
	return l, nil
}

// complete tells whether every wanted card is done, or no more numbers can be given out.
func (l *ledger) complete() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.problem != nil || l.wanted > 0 && l.done >= l.wanted
}

// wantsOne tells whether a card would get a turn now.
func (l *ledger) wantsOne() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.hasTurn()
}

// hasTurn is wantsOne with the lock held.
func (l *ledger) hasTurn() bool {
	return l.problem == nil && (l.wanted == 0 || l.done+l.atWork < l.wanted)
}

// failure is why no more numbers could be given out; nil while they can.
func (l *ledger) failure() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.problem
}

// take gives a card its turn. The error is errNoTurn or the logbook's, which ends the batch.
func (l *ledger) take(ctx context.Context) (turn, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if !l.hasTurn() {
		return turn{}, errNoTurn
	}
	var t turn
	if l.rows != nil {
		t.row = l.free[0]
		t.label = t.row.Label()
	}
	given, err := l.record.Give(ctx, t.label)
	if err != nil {
		if ctx.Err() == nil {
			l.problem = fmt.Errorf("no number could be given to a card: %w", err)
		}
		return turn{}, err
	}
	t.number, t.label = given.Number, given.Label
	if l.rows != nil {
		l.free = l.free[1:]
	}
	l.atWork++
	return t, nil
}

// settle says what became of a turn. Also a batch that was stopped does.
func (l *ledger) settle(ctx context.Context, t turn, run *logbook.Run) {
	done := run.Verdict == logbook.Intact
	err := l.record.Settle(context.WithoutCancel(ctx), t.number, run.RunID, done)
	l.mu.Lock()
	defer l.mu.Unlock()
	l.atWork--
	switch {
	case done:
		l.done++
	case t.row != nil:
		l.free = append([]project.Row{t.row}, l.free...)
	}
	switch {
	case l.problem != nil:
	case run.Error != nil && run.Error.Class == logbook.ClassSource:
		l.problem = fmt.Errorf("%w: %s", ErrImageLost, run.Error.Cause)
	case err != nil && done: // the next program does not know of it, and gives its row to another card
		l.problem = fmt.Errorf("that %s, number %d, is done could not be recorded, and the batch will go on as if it were not: "+
			"put no label on that card, and flash it again: %w", t.label, t.number, err)
	case err != nil:
		l.problem = fmt.Errorf("what became of number %d could not be recorded: %w", t.number, err)
	}
}
