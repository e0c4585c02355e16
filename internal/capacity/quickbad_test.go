package capacity_test

import (
	"context"
	"errors"
	"io/fs"
	"math"
	"os"
	"slices"
	"syscall"
	"testing"

	"cardwright/flash"
	"cardwright/internal/capacity"
	"cardwright/internal/cardlab"
)

// plannedOn gives the offsets that a quick check with a seed writes on a card of this size, learned from one that is sound.
func plannedOn(t *testing.T, sizeBytes int64, seed string) []cardlab.Span {
	t.Helper()
	card := newCard(t, cardlab.Traits{SizeBytes: sizeBytes})
	if _, err := capacity.Quick(t.Context(), card, capacity.Options{Erase: true, Seed: seed}); err != nil {
		t.Fatal(err)
	}
	return card.Truth().Asked()
}

// TestQuickCallsUnreliableWhatNoSizeExplains lets cards fail in ways that have nothing to do with their size.
func TestQuickCallsUnreliableWhatNoSizeExplains(t *testing.T) {
	const sizeBytes = 8 * mib
	planned := plannedOn(t, sizeBytes, "a seed")
	single := planned[len(planned)/2].OffsetBytes
	last := int64(sizeBytes - 512)
	for name, c := range map[string]struct {
		traits   cardlab.Traits
		at       int64
		kind     capacity.Kind
		restored bool
	}{
		"FlippedWhenWritten": {
			cardlab.Traits{Flips: []cardlab.Flip{{OffsetBytes: single + 100}}}, single, capacity.Changed, false,
		},
		"FlippedInTheLastSector": {
			cardlab.Traits{Flips: []cardlab.Flip{{OffsetBytes: last + 511}}}, last, capacity.Changed, false,
		},
		"FlippedInTheFirstSector": {cardlab.Traits{Flips: []cardlab.Flip{{OffsetBytes: 1}}}, 0, capacity.Changed, false},
		"FlippedOnceWhenRead": { // what is put back must be what the card holds, not what a bad read made of it
			cardlab.Traits{Flips: []cardlab.Flip{{OffsetBytes: single + 9, OnRead: true, Once: true}}}, single, capacity.Changed, true,
		},
		"ReadsThatDiffer": {
			cardlab.Traits{Unstable: []cardlab.Span{{OffsetBytes: single, LengthBytes: 512}}}, single, capacity.Changed, true,
		},
		"ASectorThatCannotBeRead": {
			cardlab.Traits{Bad: []cardlab.BadRange{{Span: cardlab.Span{OffsetBytes: single, LengthBytes: 1}, Read: true}}},
			single, capacity.Unreadable, true,
		},
		"ASectorThatCannotBeWritten": {
			cardlab.Traits{Bad: []cardlab.BadRange{{Span: cardlab.Span{OffsetBytes: single, LengthBytes: 1}, Write: true}}},
			single, capacity.Unwritable, true,
		},
		"WritesForgotten": {
			cardlab.Traits{ReadOnlyAfterBytes: 1, ReadOnlyDrops: true}, 0, "", true,
		},
		"WritesForgottenFromSomewhereOn": {
			cardlab.Traits{ReadOnlyAfterBytes: mib + 200*512, ReadOnlyDrops: true}, mib, "", false,
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c.traits.SizeBytes, c.traits.OldContent = sizeBytes, true
			card := newCard(t, c.traits)
			o := options(t, card)
			o.Seed = "a seed"
			got, err := capacity.Quick(t.Context(), card, o)
			if err != nil {
				t.Fatal(err)
			}
			if got.Verdict != capacity.Unreliable || got.TrueBytes != nil || *got.Restored != c.restored {
				t.Fatalf("%+v, restored %v", got, *got.Restored)
			}
			if c.restored {
				expectSame(t, card)
			}
			if (got.Rescue == "") != c.restored {
				t.Errorf("restored is %v, and the rescue is %q", c.restored, got.Rescue)
			}
			bad := func(r capacity.Range) bool { return r.OffsetBytes == c.at && (c.kind == "" || r.Kind == c.kind) }
			if !slices.ContainsFunc(got.BadRanges, bad) {
				t.Errorf("no range of kind %q at %d: %+v", c.kind, c.at, got.BadRanges)
			}
			if len(got.BadRanges) > capacity.MostRanges {
				t.Errorf("%d ranges", len(got.BadRanges))
			}
		})
	}
}

// A stuckCard ignores one line of its address.
type stuckCard struct {
	*cardlab.Card
	lineBytes int64
}

func (c stuckCard) at(offsetBytes int64) int64 { return offsetBytes &^ c.lineBytes }

func (c stuckCard) ReadAt(p []byte, offsetBytes int64) (int, error) {
	return c.Card.ReadAt(p, c.at(offsetBytes))
}

func (c stuckCard) WriteAt(p []byte, offsetBytes int64) (int, error) {
	return c.Card.WriteAt(p, c.at(offsetBytes))
}

// TestQuickTellsCrossedAddressLines has a line that no size explains: what lies above it is there too.
func TestQuickTellsCrossedAddressLines(t *testing.T) {
	t.Parallel()
	for _, lineBytes := range []int64{mib, 4 * mib} {
		card := stuckCard{newCard(t, cardlab.Traits{SizeBytes: 24 * mib, OldContent: true}), lineBytes}
		got, err := capacity.Quick(t.Context(), card, options(t, card))
		if err != nil {
			t.Fatal(err)
		}
		swapped := func(r capacity.Range) bool {
			return r.Kind == capacity.Swapped && r.FromBytes^r.OffsetBytes == lineBytes
		}
		if got.Verdict != capacity.Unreliable || !slices.ContainsFunc(got.BadRanges, swapped) {
			t.Errorf("line %d: %+v", lineBytes, got)
		}
		if !*got.Restored {
			t.Errorf("line %d: not all is back", lineBytes)
		}
		expectSame(t, card.Card)
	}
}

// A wornCard keeps what is written to a sector beyond the first 2 MiB once, and forgets what is written there again.
type wornCard struct {
	*cardlab.Card
	written map[int64]bool
}

func (c wornCard) WriteAt(p []byte, offsetBytes int64) (int, error) {
	if offsetBytes >= 2*mib && c.written[offsetBytes] {
		return len(p), nil
	}
	c.written[offsetBytes] = true
	return c.Card.WriteAt(p, offsetBytes)
}

// TestQuickConfirmsATrueSize has cards that end like one of a smaller size, until their last sector is written again.
func TestQuickConfirmsATrueSize(t *testing.T) {
	for name, beyond := range map[string]cardlab.Beyond{"Wrap": cardlab.Wrap, "Drop": cardlab.Drop} {
		traits := cardlab.Traits{SizeBytes: 8 * mib, TrueSizeBytes: 4 * mib, Beyond: beyond}
		got, err := capacity.Quick(t.Context(), wornCard{newCard(t, traits), map[int64]bool{}}, capacity.Options{Erase: true})
		if err != nil || got.Verdict != capacity.Unreliable || got.TrueBytes != nil {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
}

// TestQuickTellsStampsOfAnEarlierRun has a card that forgets what comes after an amount, and still holds what an earlier run wrote.
func TestQuickTellsStampsOfAnEarlierRun(t *testing.T) {
	const sizeBytes = 8 * mib
	card := newCard(t, cardlab.Traits{SizeBytes: sizeBytes})
	o := capacity.Options{Erase: true, Seed: "the same"}
	if got, err := capacity.Quick(t.Context(), card, o); err != nil || got.Verdict != capacity.True || got.Restored != nil {
		t.Fatalf("%+v, %v", got, err)
	}
	worn := cardlab.Traits{SizeBytes: sizeBytes, ReadOnlyDrops: true}
	worn.ReadOnlyAfterBytes = card.Counts().WrittenBytes
	card = newCard(t, worn)
	if _, err := capacity.Quick(t.Context(), card, o); err != nil {
		t.Fatal(err)
	}
	got, err := capacity.Quick(t.Context(), card, o) // nothing of this one is kept
	if err != nil || got.Verdict != capacity.Unreliable || got.BadRanges[0].Kind != capacity.Stale {
		t.Errorf("%+v, %v", got, err)
	}
}

// TestQuickEndsWhereTheCardDoes pulls the card in each phase, and expects its error and no verdict.
func TestQuickEndsWhereTheCardDoes(t *testing.T) {
	for phase, step := range map[string]flash.Step{
		"keeping what the card holds":            capacity.StepKeep,
		"stamping":                               capacity.StepStamp,
		"reading back":                           capacity.StepCompare,
		"looking for stamps that went elsewhere": capacity.StepCompare,
		"putting back":                           capacity.StepRestore,
		"comparing what was put back":            capacity.StepRestore,
	} {
		t.Run(phase, func(t *testing.T) {
			card := newCard(t, cardlab.Traits{SizeBytes: 11*mib + 1536})
			o := options(t, card)
			o.Meter = new(capacity.Meter)
			card.Inject(func(cardlab.Op) cardlab.Fault {
				if o.Meter.Look().Phase == phase {
					return cardlab.FaultGone
				}
				return cardlab.FaultNone
			})
			got, err := capacity.Quick(t.Context(), card, o)
			var failed *flash.Error
			if !errors.As(err, &failed) || failed.Step != step || !errors.Is(err, flash.ErrGone) {
				t.Fatalf("%v", err)
			}
			if step != capacity.StepRestore && (got.Verdict != "" || got.TrueBytes != nil) {
				t.Errorf("a verdict beside the error: %+v", got)
			}
			if step == capacity.StepKeep {
				expectNoFiles(t, o.Folder)
			} else if _, err := os.Stat(got.Rescue); err != nil || *got.Restored {
				t.Errorf("restored is %v, and the rescue is not there: %v", *got.Restored, err)
			}
		})
	}
}

// TestQuickSaysNothingOfTheSizeOfACardThatDoesNothing expects the card's error where every write or every read fails.
func TestQuickSaysNothingOfTheSizeOfACardThatDoesNothing(t *testing.T) {
	whole := cardlab.Span{LengthBytes: 8 * mib}
	for name, c := range map[string]struct {
		traits cardlab.Traits
		step   flash.Step
		cause  error
	}{
		"TakesNoWrites":  {cardlab.Traits{ReadOnlyAfterBytes: 1}, capacity.StepStamp, flash.ErrReadOnly},
		"FailsAllWrites": {cardlab.Traits{Bad: []cardlab.BadRange{{Span: whole, Write: true}}}, capacity.StepStamp, syscall.EIO},
		"FailsAllReads":  {cardlab.Traits{Bad: []cardlab.BadRange{{Span: whole, Read: true}}}, capacity.StepKeep, syscall.EIO},
	} {
		t.Run(name, func(t *testing.T) {
			c.traits.SizeBytes = whole.LengthBytes
			card := newCard(t, c.traits)
			o := options(t, card)
			got, err := capacity.Quick(t.Context(), card, o)
			var failed *flash.Error
			if !errors.As(err, &failed) || failed.Step != c.step || !errors.Is(err, c.cause) || got.Verdict != "" {
				t.Errorf("%+v, %v", got, err)
			}
			expectNoFiles(t, o.Folder)
		})
	}
}

// TestQuickSaysNothingOfTheSizeOfACardThatGivesNothingBack has all reads fail once the stamps are on the card, and none after that.
func TestQuickSaysNothingOfTheSizeOfACardThatGivesNothingBack(t *testing.T) {
	card := newCard(t, cardlab.Traits{SizeBytes: mib, OldContent: true})
	o := options(t, card)
	o.Meter = new(capacity.Meter)
	card.Inject(func(op cardlab.Op) cardlab.Fault {
		if op.Kind == cardlab.OpRead && o.Meter.Look().Phase == "reading back" {
			return cardlab.FaultError
		}
		return cardlab.FaultNone
	})
	got, err := capacity.Quick(t.Context(), card, o)
	var failed *flash.Error
	if !errors.As(err, &failed) || failed.Step != capacity.StepCompare || !errors.Is(err, syscall.EIO) {
		t.Fatalf("%v", err)
	}
	if got.Verdict != "" || !*got.Restored {
		t.Errorf("%+v", got)
	}
	expectSame(t, card)
}

// TestQuickPutsBackAfterACancel cancels within each of many calls.
func TestQuickPutsBackAfterACancel(t *testing.T) {
	t.Parallel()
	for number := 0; ; number += 41 {
		card := newCard(t, cardlab.Traits{SizeBytes: mib / 4, OldContent: true})
		ctx, cancel := context.WithCancel(t.Context())
		after := -1
		card.Inject(func(op cardlab.Op) cardlab.Fault {
			if op.Number == number {
				cancel()
			}
			if ctx.Err() != nil && op.Kind == cardlab.OpWrite && after < 0 {
				after = op.Number - number
			}
			return cardlab.FaultNone
		})
		o := options(t, card)
		got, err := capacity.Quick(ctx, card, o)
		expectSame(t, card)
		expectNoFiles(t, o.Folder)
		if err == nil { // the cancel came when the check was done
			if number == 0 || got.Verdict != capacity.True {
				t.Errorf("call %d: %+v", number, got)
			}
			return
		}
		if !errors.Is(err, context.Canceled) || got.Verdict != "" {
			t.Fatalf("call %d: %+v, %v", number, got, err)
		}
		if card.Counts().WrittenBytes > 0 && (got.Restored == nil || !*got.Restored) {
			t.Fatalf("call %d: not put back", number)
		}
	}
}

// TestQuickWritesNothingWithoutARescue expects the card untouched where its content cannot be kept.
func TestQuickWritesNothingWithoutARescue(t *testing.T) {
	for _, failing := range []string{"make", "create", "write", "sync", "sync list"} {
		card := newCard(t, cardlab.Traits{SizeBytes: mib, OldContent: true})
		o := options(t, card).Before(func(call string) error {
			if call == failing {
				return syscall.ENOSPC
			}
			return nil
		})
		got, err := capacity.Quick(t.Context(), card, o)
		if !errors.Is(err, syscall.ENOSPC) || got.Verdict != "" || card.Counts().WrittenBytes > 0 {
			t.Errorf("%s: %+v, %v, %d bytes written", failing, got, err, card.Counts().WrittenBytes)
		}
		expectNoFiles(t, o.Folder)
	}
}

func TestQuickKeepsOthersOutOfTheRescue(t *testing.T) {
	card := newCard(t, cardlab.Traits{SizeBytes: mib})
	o := options(t, card)
	o.Folder += "/new"
	var modes []fs.FileMode
	card.Inject(func(op cardlab.Op) cardlab.Fault {
		if op.Kind == cardlab.OpWrite && modes == nil {
			_ = fs.WalkDir(os.DirFS(o.Folder), ".", func(_ string, entry fs.DirEntry, _ error) error {
				info, err := entry.Info()
				modes = append(modes, info.Mode().Perm())
				return err
			})
		}
		return cardlab.FaultNone
	})
	if _, err := capacity.Quick(t.Context(), card, o); err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(modes, []fs.FileMode{0o700, 0o600}) {
		t.Errorf("modes %v", modes)
	}
}

// TestChanceToMissIsWhatTheRandomPlacesLeave compares with the arithmetic: 0.99 to the power of 512 is 0.58 %.
func TestChanceToMissIsWhatTheRandomPlacesLeave(t *testing.T) {
	card := newCard(t, cardlab.Traits{SizeBytes: 64 * mib})
	got, err := capacity.Quick(t.Context(), card, capacity.Options{Erase: true})
	if err != nil || got.RandomPlaces != 512 || math.Abs(got.ChanceToMiss-0.00583) > 0.00001 {
		t.Errorf("%d places, %v, %v", got.RandomPlaces, got.ChanceToMiss, err)
	}
}
