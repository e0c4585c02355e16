package capacity_test

import (
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"cardwright/internal/capacity"
	"cardwright/internal/cardlab"
)

// errCrash is what the program's calls give after it is gone.
var errCrash = errors.New("crashed")

// A crash ends a quick check at one operation of the card or one call to the folder, together with the power of both.
type crash struct {
	operation, call int // by number; -1 for never
	seed            uint64
}

// check runs a quick check into the crash, and lets the folder lose what was not on its medium. It tells whether the crash came.
func (c crash) check(t *testing.T, card *cardlab.Card, o capacity.Options) bool {
	t.Helper()
	came, calls, syncedBytes, listed := false, 0, int64(0), false
	card.Inject(func(op cardlab.Op) cardlab.Fault {
		if op.Kind == cardlab.OpWrite && !listed && !came {
			t.Fatalf("%+v: the card is written before the rescue's name is on the medium", c)
		}
		if op.Number == c.operation {
			came = true
		}
		if came {
			return cardlab.FaultGone
		}
		return cardlab.FaultNone
	})
	crashing := o.Before(func(call string) error {
		if calls == c.call {
			came = true
		}
		calls++
		switch {
		case came:
			return errCrash
		case call == "sync":
			syncedBytes = sizeOfRescue(t, o.Folder)
		case call == "sync list":
			listed = true
		}
		return nil
	})
	_, err := capacity.Quick(t.Context(), card, crashing)
	if (err != nil) != came {
		t.Fatalf("%+v: %v", c, err)
	}
	if !came {
		return false
	}
	random := rand.New(rand.NewPCG(c.seed, 0))
	if names := rescues(t, o.Folder); len(names) > 0 {
		size := sizeOfRescue(t, o.Folder)
		if err := os.Truncate(names[0], syncedBytes+random.Int64N(size-syncedBytes+1)); err != nil {
			t.Fatal(err)
		}
		if !listed && random.IntN(2) == 0 {
			_ = os.Remove(names[0]) // it is gone or not, as the folder decides
		}
	}
	powerCycle(card, random)
	return true
}

func powerCycle(card *cardlab.Card, random *rand.Rand) {
	if random.IntN(2) == 0 {
		card.PullSynced()
	} else {
		card.Pull(random.Uint64())
	}
	card.Plug()
	card.Inject(func(cardlab.Op) cardlab.Fault { return cardlab.FaultNone })
}

func rescues(t *testing.T, folder string) []string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(folder, "rescue-*"))
	if err != nil {
		t.Fatal(err)
	}
	return names
}

func sizeOfRescue(t *testing.T, folder string) int64 {
	t.Helper()
	names := rescues(t, folder)
	if len(names) != 1 {
		t.Fatalf("%d rescues", len(names))
	}
	info, err := os.Stat(names[0])
	if err != nil {
		t.Fatal(err)
	}
	return info.Size()
}

// crashCards are small, so that a walk through every call of a check is short.
var crashCards = map[string]cardlab.Traits{
	"True":     {SizeBytes: 64 * 512},
	"Wrap":     {SizeBytes: 80 * 512, TrueSizeBytes: 27 * 512, Beyond: cardlab.Wrap},
	"WrapHalf": {SizeBytes: 40 * 4096, TrueSizeBytes: 20 * 4096, Beyond: cardlab.Wrap, SectorBytes: 4096},
	"Drop":     {SizeBytes: 80 * 512, TrueSizeBytes: 53 * 512, Beyond: cardlab.Drop},
	"Refuse":   {SizeBytes: 80 * 512, TrueSizeBytes: 70 * 512, Beyond: cardlab.Refuse},
}

// TestCrashAtAnyOperationIsUndoneAtTheNextStart walks through all calls to card and folder.
func TestCrashAtAnyOperationIsUndoneAtTheNextStart(t *testing.T) {
	for name, traits := range crashCards {
		traits.OldContent = true
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			step := 3
			if testing.Short() {
				step = 13
			}
			first := rand.IntN(step) // other operations in every run; all of them in some
			t.Logf("every %d from operation %d on", step, first)
			for number := first; walked(t, traits, crash{number, -1, uint64(number)}); number += step {
			}
			for number := 0; walked(t, traits, crash{-1, number, uint64(number)}); number++ {
			}
		})
	}
}

// walked crashes one check, and expects the next start to bring everything back.
func walked(t *testing.T, traits cardlab.Traits, c crash) bool {
	t.Helper()
	card := newCard(t, traits)
	o := options(t, card)
	came := c.check(t, card, o)
	left, err := capacity.RestoreLeftover(t.Context(), card, o)
	if err != nil {
		t.Fatalf("%+v: %v", c, err)
	}
	if left != nil && (len(left.NotWhole) > 0 || len(left.Left) > 0 || len(left.InUse) > 0) {
		t.Errorf("%+v: %+v", c, left)
	}
	expectUntouched(t, card, c)
	if left == nil || len(left.PutBack) > 0 {
		expectNoFiles(t, o.Folder)
	}
	if t.Failed() {
		t.FailNow()
	}
	return came
}

// expectUntouched compares the whole medium with that of a fresh card.
func expectUntouched(t *testing.T, card *cardlab.Card, c crash) {
	t.Helper()
	sizeBytes := card.Truth().SizeBytes()
	is, was := card.Truth().Read(0, int(sizeBytes)), newCard(t, card.Traits()).Truth().Read(0, int(sizeBytes))
	for at := 0; at < len(is); at += 512 {
		if !slices.Equal(is[at:at+512], was[at:at+512]) {
			t.Errorf("%+v: the sector at %d is not what it was: %.40q", c, at, is[at:at+512])
		}
	}
}

// TestCrashWhileRestoringIsUndoneAtTheNextStart crashes the restoring too, at any operation.
func TestCrashWhileRestoringIsUndoneAtTheNextStart(t *testing.T) {
	for name, traits := range crashCards {
		traits.OldContent = true
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			step := 5
			if testing.Short() {
				step = 17
			}
			middle := crash{-1, -1, 1}
			card := newCard(t, traits)
			middle.check(t, card, options(t, card))
			middle.operation = card.Counts().Operations * 3 / 5
			for number := 0; ; number += step {
				card := newCard(t, traits)
				o := options(t, card)
				if !middle.check(t, card, o) {
					t.Fatal("no crash")
				}
				begun := card.Counts().Operations
				card.Inject(func(op cardlab.Op) cardlab.Fault {
					if op.Number >= begun+number {
						return cardlab.FaultGone
					}
					return cardlab.FaultNone
				})
				_, err := capacity.RestoreLeftover(t.Context(), card, o)
				powerCycle(card, rand.New(rand.NewPCG(uint64(number), 0)))
				left, again := capacity.RestoreLeftover(t.Context(), card, o)
				if again != nil || left != nil && (len(left.NotWhole) > 0 || len(left.Left) > 0) {
					t.Fatalf("operation %d: %+v, %v", number, left, again)
				}
				expectUntouched(t, card, middle)
				if err == nil || t.Failed() {
					break
				}
			}
		})
	}
}
