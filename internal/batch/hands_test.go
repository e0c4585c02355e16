package batch_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"cardwright/flash"
	"cardwright/internal/batch"
	"cardwright/internal/cardlab"
	"cardwright/internal/logbook"
)

// used makes a card that holds the board image and was used since: the first file of its FAT, at sector 8192, lost a cluster, by
// a change of the first table, which begins behind the reserved sectors (FAT specification, from memory).
func used(t *testing.T) *cardlab.Card {
	t.Helper()
	held, _ := board()
	held = bytes.Clone(held)
	volume := held[8192*512:]
	entry := volume[int(binary.LittleEndian.Uint16(volume[0x0E:]))*512+2*2:]
	if entry[0] == 0 && entry[1] == 0 {
		t.Fatal("no file has the first cluster")
	}
	entry[0], entry[1] = 0, 0
	return holding(t, held)
}

func TestCardThatIsDoneIsHeld(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := begin(t, t.Context(), 1, nil)
		card := newCard(t, slowly)
		b.rigs[0].seat(card)
		b.until(batch.KindFinished, "a")
		b.rigs[0].pull()
		b.until(batch.KindRemoved, "a")
		card.Plug()
		b.rigs[0].seat(card)
		held := b.until(batch.KindHeld, "a")
		if len(held.Reasons) != 1 || !strings.Contains(held.Reasons[0], "hive-001") {
			t.Errorf("reasons %q", held.Reasons)
		}
		if look := b.batch.Looks()[0]; look.Phase != batch.PhaseHeld || len(look.Reasons) != 1 {
			t.Errorf("%+v", look)
		}
		b.batch.Finish()
		if totals := b.end(); totals.Intact != 1 || len(totals.Cards) != 1 {
			t.Errorf("totals %+v", totals)
		}
	})
}

// What the hands of the operator must not lose is held until the operator says so; nothing is written before.
func TestCardThatHoldsSomethingIsHeldUntilItIsReleased(t *testing.T) {
	for name, make := range map[string]func(*testing.T) *cardlab.Card{
		"a board's card that is not on record": func(t *testing.T) *cardlab.Card { held, _ := board(); return holding(t, held) },
		"noise":                                func(t *testing.T) *cardlab.Card { return newCard(t, cardlab.Traits{OldContent: true, Seed: 5}) },
		"a card that cannot be read": func(t *testing.T) *cardlab.Card {
			return newCard(t, cardlab.Traits{Bad: []cardlab.BadRange{{Span: cardlab.Span{LengthBytes: 4096}, Read: true}}})
		},
		"a card whose end cannot be read": func(t *testing.T) *cardlab.Card {
			return newCard(t, cardlab.Traits{Bad: []cardlab.BadRange{{Span: cardlab.Span{OffsetBytes: 32<<20 - 4096, LengthBytes: 4096}, Read: true}}})
		},
	} {
		synctest.Test(t, func(t *testing.T) {
			b := begin(t, t.Context(), 1, nil)
			card := make(t)
			before := card.Counts().WrittenBytes
			b.rigs[0].seat(card)
			held := b.until(batch.KindHeld, "a")
			time.Sleep(time.Hour)
			if written := card.Counts().WrittenBytes; written != before || len(held.Reasons) == 0 {
				t.Errorf("%s: %d bytes were written though it was held for %q", name, written-before, held.Reasons)
			}
			t.Logf("%s: %q", name, held.Reasons)
			if err := b.batch.Release("b"); !errors.Is(err, batch.ErrNoBay) {
				t.Errorf("%s: another bay's release: %v", name, err)
			}
			if err := b.batch.Release("a"); err != nil {
				t.Errorf("%s: %v", name, err)
			}
			b.until(batch.KindReleased, "a")
			b.until(batch.KindFinished, "a")
			if err := b.batch.Release("a"); !errors.Is(err, batch.ErrNotHeld) {
				t.Errorf("%s: a release of a finished card: %v", name, err)
			}
			b.batch.Finish()
			b.end()
		})
	}
}

func TestBlankCardsGoStraightThrough(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := begin(t, t.Context(), 1, nil)
		b.rigs[0].seat(newCard(t, cardlab.Traits{}))
		b.until(batch.KindFinished, "a")
		b.rigs[0].pull()
		ones := holding(t, bytes.Repeat([]byte{0xff}, 32<<20))
		b.rigs[0].seat(ones)
		b.until(batch.KindFinished, "a")
		b.batch.Finish()
		b.end()
		expectNoneHeld(t, b)
	})
}

// A card that an earlier batch left goes straight through while nobody touched it, and is held once it was used.
func TestCardOfTheLogbookIsHeldOnceItWasUsed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := begin(t, t.Context(), 1, nil)
		b.rigs[0].seat(newCard(t, slowly))
		b.until(batch.KindFinished, "a")
		b.rigs[0].pull()
		b.rigs[0].seat(used(t))
		held := b.until(batch.KindHeld, "a")
		if len(held.Reasons) < 2 || !strings.Contains(held.Reasons[0], "hive-001") {
			t.Errorf("reasons %q", held.Reasons)
		}
		b.batch.Finish()
		b.end()
	})
}

func TestUntouchedCardOfAnotherBatchGoesStraightThrough(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := begin(t, t.Context(), 1, func(o *batch.Options) {
			// An earlier batch of this logbook flashed the same image.
			earlier := *o
			earlier.Record = openRecord(t, o.Book, "earlier")
			earlier.Wanted = 1
			flashOne(t, earlier)
		})
		held, _ := board()
		b.rigs[0].seat(holding(t, held))
		b.until(batch.KindFinished, "a")
		b.batch.Finish()
		b.end()
		expectNoneHeld(t, b)
	})
}

// Taking a held card out and seating it again soon says that it may be overwritten. Another card does not, nor a late one, nor a
// card that shows nothing to know it by.
func TestHeldCardIsReleasedBySeatingItAgainSoon(t *testing.T) {
	mine := func(t *testing.T) *cardlab.Card { held, _ := board(); return holding(t, held) }
	unreadable := func(t *testing.T) *cardlab.Card {
		return newCard(t, cardlab.Traits{Bad: []cardlab.BadRange{{Span: cardlab.Span{LengthBytes: 4096}, Read: true}}})
	}
	for _, c := range []struct {
		name     string
		first    func(t *testing.T) *cardlab.Card
		second   func(t *testing.T) *cardlab.Card // nil: the first again
		after    time.Duration
		released bool
	}{
		{"soon", mine, nil, 8 * time.Second, true},
		{"at once", mine, nil, 0, true},
		{"late", mine, nil, 13 * time.Second, false},
		{"another card", mine, used, time.Second, false},
		{"a card that cannot be read", unreadable, nil, time.Second, false},
	} {
		synctest.Test(t, func(t *testing.T) {
			b := begin(t, t.Context(), 1, nil)
			card := c.first(t)
			b.rigs[0].seat(card)
			b.until(batch.KindHeld, "a")
			time.Sleep(time.Minute)
			b.rigs[0].pull()
			time.Sleep(c.after)
			card.Plug()
			if c.second != nil {
				card = c.second(t)
			}
			before := card.Counts().WrittenBytes
			b.rigs[0].seat(card)
			if c.released {
				b.until(batch.KindReleased, "a")
				b.until(batch.KindFinished, "a")
				expectHolds(t, card)
			} else {
				b.until(batch.KindHeld, "a")
				if written := card.Counts().WrittenBytes; written != before {
					t.Errorf("%s: %d bytes were written", c.name, written-before)
				}
			}
			b.batch.Finish()
			b.end()
		})
	}
}

// A held card that stays in its bay was not seated again, though the bay could not be looked at for a moment, or showed none: it
// stays held, or is held anew.
func TestHeldCardThatWasOutOfSightIsNotSeatedAgain(t *testing.T) {
	for name, cause := range map[string]error{"a look that fails": errors.New("too many open files"), "a look that finds nothing": nil} {
		synctest.Test(t, func(t *testing.T) {
			b := begin(t, t.Context(), 1, nil)
			held, _ := board()
			card := holding(t, held)
			before := card.Counts().WrittenBytes
			b.rigs[0].seat(card)
			b.until(batch.KindHeld, "a")
			time.Sleep(time.Minute)
			show := b.rigs[0].hide(cause)
			time.Sleep(5 * time.Second)
			show()
			time.Sleep(time.Hour)
			if look := b.batch.Looks()[0]; look.Phase != batch.PhaseHeld {
				t.Errorf("%s: the bay is %s", name, look.Phase)
			}
			if written := card.Counts().WrittenBytes; written != before {
				t.Errorf("%s: %d bytes were written to a card that was never taken out", name, written-before)
			}
			b.batch.Finish()
			b.end()
		})
	}
}

// A card at work is not taken for pulled because the bay cannot be looked at.
func TestCardAtWorkOutlivesLooksThatFail(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := begin(t, t.Context(), 1, nil)
		card := newCard(t, slowly)
		b.rigs[0].seat(card)
		b.until(batch.KindStarted, "a")
		show := b.rigs[0].hide(errors.New("too many open files"))
		if done := b.until(batch.KindFinished, "a"); done.Run.Verdict != logbook.Intact {
			t.Errorf("%s: %s", done.Run.Verdict, done.Run.Reason())
		}
		expectHolds(t, card)
		show()
		b.batch.Finish()
		b.end()
	})
}

func TestNothingIsHeldWhereAnythingMayBeOverwritten(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := begin(t, t.Context(), 1, func(o *batch.Options) { o.OverwriteAnything = true })
		b.rigs[0].seat(newCard(t, cardlab.Traits{OldContent: true, Seed: 5}))
		b.until(batch.KindFinished, "a")
		b.batch.Finish()
		b.end()
		expectNoneHeld(t, b)
	})
}

func expectNoneHeld(t *testing.T, b *bench) {
	t.Helper()
	for _, e := range b.told {
		if e.Kind == batch.KindHeld || e.Kind == batch.KindRefused {
			t.Errorf("bay %s: %s for %q", e.Bay, e.Kind, e.Reasons)
		}
	}
}

// A card whose run was stopped has lost what it held before, and goes straight through when it comes again.
func TestCardWhoseRunWasStoppedGoesStraightThrough(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		path := filepath.Join(t.TempDir(), "logbook.db")
		ctx, cancel := context.WithCancel(t.Context())
		first := beginIn(t, ctx, path, 1, nil)
		card := newCard(t, slowly)
		first.rigs[0].seat(card)
		first.until(batch.KindStarted, "a")
		time.Sleep(900 * time.Millisecond)
		cancel()
		first.end()
		if body := card.Truth().Read(flash.BlockBytes, 4096); bytes.Count(body, []byte{0}) == len(body) {
			t.Fatal("nothing of the image came to the card")
		}
		second := beginIn(t, t.Context(), path, 1, nil)
		second.rigs[0].seat(card)
		second.until(batch.KindFinished, "a")
		expectHolds(t, card)
		second.batch.Finish()
		second.end()
		expectNoneHeld(t, second)
	})
}
