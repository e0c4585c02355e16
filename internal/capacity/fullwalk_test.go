package capacity_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"testing"

	"cardwright/flash"
	"cardwright/internal/capacity"
	"cardwright/internal/cardlab"
)

// walkedCards are small cards of every kind that a check tells apart, each of a block and a bit.
func walkedCards() []cardlab.Traits {
	const size, truth = 5*mib + 512, 4*mib + 1024
	return []cardlab.Traits{
		{SizeBytes: size},
		{SizeBytes: size, TrueSizeBytes: truth, Beyond: cardlab.Wrap},
		{SizeBytes: size, TrueSizeBytes: truth, Beyond: cardlab.Drop},
		{SizeBytes: size, TrueSizeBytes: truth, Beyond: cardlab.Refuse},
	}
}

// walkedStep is how many operations a walk goes on at once where it does not stop at each. It begins at another one in every run, so
// that all of them are met in some.
const walkedStep = 5

// TestFullWalksThroughEveryFaultOfTheCard fails the card's operations one by one with a plain error, and some of them in other ways,
// which go through the same places, until a check passes untouched. What fails must never be called true, nor short of another size
// than the card's own.
func TestFullWalksThroughEveryFaultOfTheCard(t *testing.T) {
	for i, traits := range walkedCards() {
		for _, fault := range []cardlab.Fault{cardlab.FaultError, cardlab.FaultShort, cardlab.FaultGone, cardlab.FaultReadOnly} {
			t.Run(fmt.Sprintf("%d/%d", i, fault), func(t *testing.T) {
				t.Parallel()
				first, step := 0, 1
				if fault != cardlab.FaultError {
					first, step = rand.IntN(walkedStep), walkedStep
				}
				t.Logf("each %d from operation %d on", step, first)
				for number, struck := first, true; struck; number += step {
					struck = walkStep(t, traits, number, fault)
				}
			})
		}
	}
}

// walkStep runs a check with one fault and tells whether it struck.
func walkStep(t *testing.T, traits cardlab.Traits, number int, fault cardlab.Fault) (struck bool) {
	t.Helper()
	card := newLabCard(t, traits)
	var at cardlab.Op
	card.Inject(func(op cardlab.Op) cardlab.Fault {
		if op.Number != number {
			return cardlab.FaultNone
		}
		struck, at = true, op
		return fault
	})
	r, err := capacity.Full(t.Context(), card, capacity.Options{Folder: t.TempDir()})
	var failed *flash.Error
	switch {
	case err != nil && (!errors.As(err, &failed) || r.Verdict != "" || r.TrueBytes != nil):
		t.Errorf("%v at %+v: got %+v and %v", fault, at, r, err)
	case (fault == cardlab.FaultGone || err != nil) && errors.Is(err, flash.ErrGone) != (fault == cardlab.FaultGone) && struck:
		t.Errorf("%v at %+v: ended with %v", fault, at, err)
	case err != nil:
	case struck && r.Verdict == capacity.True && !(fault == cardlab.FaultReadOnly && at.Kind != cardlab.OpWrite):
		t.Errorf("%v at %+v was called true", fault, at)
	case r.Verdict == capacity.Short && *r.TrueBytes != traits.TrueSizeBytes:
		t.Errorf("%v at %+v was called short, of %d bytes", fault, at, *r.TrueBytes)
	case !struck && (r.Verdict == capacity.Unreliable || r.Verdict == ""):
		t.Errorf("untouched: got %q, %v", r.Verdict, r.BadRanges)
	}
	return struck
}

// TestFullWalksThroughEveryFaultOfTheFolder refuses every change to the state's file in turn: the check ends with just that error,
// and the next one comes to the truth.
func TestFullWalksThroughEveryFaultOfTheFolder(t *testing.T) {
	t.Parallel()
	refused := errors.New("refused")
	traits := walkedCards()[2]
	for number, struck := 0, true; struck; number++ {
		card, folder := newLabCard(t, traits), t.TempDir()
		calls := 0
		struck = false
		o := capacity.Options{Folder: folder, Card: capacity.Mark{SizeBytes: traits.SizeBytes}}
		r, err := capacity.Full(t.Context(), card, o.Before(func(string) error {
			if calls++; calls-1 == number {
				struck = true
				return refused
			}
			return nil
		}))
		if struck && (!errors.Is(err, refused) || r.Verdict != "" || r.TrueBytes != nil) {
			t.Errorf("call %d: got %+v and %v", number, r, err)
		}
		expectVerdict(t, checkFull(t, card, o), capacity.Short, traits.TrueSizeBytes)
	}
}

// TestFullCallsNothingShortThatWavers has a card whose last block fails, works when it is tried again, and fails later.
func TestFullCallsNothingShortThatWavers(t *testing.T) {
	const size, last = 12 * mib, 8 * mib
	for _, kind := range []cardlab.OpKind{cardlab.OpWrite, cardlab.OpRead} {
		card := newLabCard(t, cardlab.Traits{SizeBytes: size})
		failed, compared := false, false
		card.Inject(func(op cardlab.Op) cardlab.Fault {
			first := op.Kind == kind && op.OffsetBytes == last && op.LengthBytes >= mib && !failed
			failed = failed || first
			compared = compared || op.Kind == cardlab.OpRead && op.OffsetBytes == last/2
			if first || compared && op.Kind == cardlab.OpWrite && op.OffsetBytes >= last {
				return cardlab.FaultError
			}
			return cardlab.FaultNone
		})
		expectVerdict(t, checkFull(t, card, capacity.Options{}), capacity.Unreliable, -1)
	}
}
