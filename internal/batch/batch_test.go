package batch_test

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"cardwright/flash"
	"cardwright/internal/batch"
	"cardwright/internal/cardlab"
	"cardwright/internal/logbook"
	"cardwright/internal/project"
)

// slowly are the traits of a card that takes its time: about a second for the board image, and another for its proof.
var slowly = cardlab.Traits{WriteBytesPerSecond: 20e6, ReadBytesPerSecond: 20e6}

func TestCardsGoThroughOneBayOneAfterTheOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := begin(t, t.Context(), 1, func(o *batch.Options) { o.Wanted = 3 })
		var cards []*cardlab.Card
		for range 3 {
			card := newCard(t, slowly)
			cards = append(cards, card)
			b.rigs[0].seat(card)
			done := b.until(batch.KindFinished, "a")
			if done.Run.Verdict != logbook.Intact || done.Run.RunID == 0 || done.Run.Number != done.Number {
				t.Errorf("run %d of card %d: %s, %+v", done.Run.RunID, done.Number, done.Run.Verdict, done.Run.Error)
			}
			if len(cards) < 3 {
				b.rigs[0].pull()
				b.until(batch.KindRemoved, "a")
			}
		}
		totals := b.end()
		for _, card := range cards {
			expectHolds(t, card)
		}
		if got := labels(totals); !slices.Equal(got, []string{"hive-001", "hive-002", "hive-003"}) {
			t.Errorf("labels %v", got)
		}
		if totals.Intact != 3 || totals.Failed != 0 || totals.Median == nil || totals.CardsPerHour <= 0 {
			t.Errorf("totals %+v", totals)
		}
		want := []string{" begun"}
		for range 3 {
			want = append(want, "a seated", "a started", "a finished", "a removed")
		}
		want[len(want)-1] = " ended"
		if got := b.kinds(); !slices.Equal(got, want) {
			t.Errorf("events %v", got)
		}
	})
}

func TestBaysWorkEachOnItsOwnClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := begin(t, t.Context(), 2, func(o *batch.Options) { o.Wanted = 4 })
		slow := newCard(t, cardlab.Traits{WriteBytesPerSecond: 1e6, ReadBytesPerSecond: 20e6})
		b.rigs[0].seat(slow)
		for range 3 {
			b.rigs[1].seat(newCard(t, slowly))
			b.until(batch.KindFinished, "b")
			b.rigs[1].pull()
		}
		for _, e := range b.told {
			if e.Kind == batch.KindFinished && e.Bay == "a" {
				t.Error("the slow card was finished before three others")
			}
		}
		if totals := b.end(); totals.Intact != 4 || totals.Slowest.Bay != "a" || totals.Fastest.Bay != "b" {
			t.Errorf("totals %+v", totals)
		}
		expectHolds(t, slow)
	})
}

// A card that hangs, while it is written or already while it is opened, delays nobody.
func TestHangingCardDelaysNoOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := begin(t, t.Context(), 3, nil)
		silent := newCard(t, cardlab.Traits{SilentAfter: cardlab.After{WrittenBytes: 8 << 20}})
		b.rigs[0].seat(silent)
		b.rigs[1].hung = make(chan struct{})
		b.rigs[1].seat(newCard(t, slowly))
		began := time.Now()
		for range 3 {
			b.rigs[2].seat(newCard(t, slowly))
			b.until(batch.KindFinished, "c")
			b.rigs[2].pull()
		}
		if took := time.Since(began); took > 20*time.Second {
			t.Errorf("three cards beside two that hang took %v", took)
		}
		b.batch.Finish()
		silent.Release()
		close(b.rigs[1].hung)
		if totals := b.end(); totals.Intact != 3 {
			t.Errorf("totals %+v", totals)
		}
	})
}

// A card that never answers does not keep the totals; at the end it is said for whose sake the program stays.
func TestBayOfACallThatNeverReturnsIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := begin(t, t.Context(), 2, nil)
		silent := newCard(t, cardlab.Traits{SilentAfter: cardlab.After{WrittenBytes: 8 << 20}})
		b.rigs[0].seat(silent)
		b.rigs[1].seat(newCard(t, slowly))
		b.until(batch.KindFinished, "b")
		b.until(batch.KindFinished, "a")
		b.batch.Finish()
		time.AfterFunc(time.Hour, silent.Release)
		if totals := b.end(); totals.Intact != 1 || totals.Failed != 1 {
			t.Errorf("totals %+v", totals)
		}
		if !slices.Equal(b.stuck, []string{"a"}) {
			t.Errorf("bays %q were told", b.stuck)
		}
	})
}

func TestSilentCardIsGivenUpAndItsBayGoesOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := begin(t, t.Context(), 1, func(o *batch.Options) { o.Wanted = 1 })
		silent := newCard(t, cardlab.Traits{SilentAfter: cardlab.After{WrittenBytes: 8 << 20}})
		b.rigs[0].seat(silent)
		failed := b.until(batch.KindFinished, "a")
		if failed.Run.Verdict != logbook.Unfinished || failed.Run.Error.Class != logbook.ClassCard {
			t.Errorf("the silent card: %s, %+v", failed.Run.Verdict, failed.Run.Error)
		}
		b.rigs[0].pull() // with it the call returns
		b.rigs[0].seat(newCard(t, slowly))
		b.until(batch.KindFinished, "a")
		if totals := b.end(); totals.Intact != 1 || totals.Failed != 1 {
			t.Errorf("totals %+v", totals)
		}
	})
}

// A card that is pulled while it is written, a card that is swapped within a moment, and one that fails give their turn back, and
// never their number.
func TestPulledCardGivesItsTurnBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := begin(t, t.Context(), 1, func(o *batch.Options) { o.Wanted = 1 })
		b.rigs[0].seat(newCard(t, slowly))
		b.until(batch.KindStarted, "a")
		time.Sleep(500 * time.Millisecond)
		b.rigs[0].pull()
		pulled := b.until(batch.KindFinished, "a")
		if pulled.Run.Verdict != logbook.Unfinished || pulled.Run.Error.Class != logbook.ClassCard || pulled.Number != 1 {
			t.Errorf("the pulled card, %d: %s, %+v", pulled.Number, pulled.Run.Verdict, pulled.Run.Error)
		}
		b.until(batch.KindRemoved, "a")
		b.rigs[0].seat(newCard(t, cardlab.Traits{Bad: []cardlab.BadRange{{Span: cardlab.Span{OffsetBytes: 9 << 20, LengthBytes: 512}, Write: true}}}))
		b.until(batch.KindFinished, "a")
		last := newCard(t, slowly)
		b.rigs[0].seat(last) // with nothing seen of an empty bay between
		if done := b.until(batch.KindFinished, "a"); done.Number != 3 || done.Run.Verdict != logbook.Intact {
			t.Errorf("the last card, %d: %s, %+v", done.Number, done.Run.Verdict, done.Run.Error)
		}
		expectHolds(t, last)
		if totals := b.end(); totals.Intact != 1 || totals.Failed != 2 {
			t.Errorf("totals %+v", totals)
		}
	})
}

// Of two cards that are seated at once, only as many are begun as are wanted; the other gets the turn that the first gives back.
func TestNoMoreCardsAreBegunThanAreWanted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := begin(t, t.Context(), 2, func(o *batch.Options) { o.Wanted = 1 })
		b.rigs[0].seat(newCard(t, slowly))
		b.until(batch.KindStarted, "a")
		second := newCard(t, slowly)
		b.rigs[1].seat(second)
		time.Sleep(700 * time.Millisecond)
		if written := second.Counts().WrittenBytes; written != 0 {
			t.Errorf("%d bytes written to a card that is not wanted", written)
		}
		b.rigs[0].pull()
		b.until(batch.KindFinished, "a")
		b.until(batch.KindFinished, "b")
		expectHolds(t, second)
		if totals := b.end(); totals.Intact != 1 || totals.Failed != 1 {
			t.Errorf("totals %+v", totals)
		}
	})
}

func TestFinishLetsCardsAtWorkBeFinished(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := begin(t, t.Context(), 2, nil)
		card := newCard(t, slowly)
		b.rigs[0].seat(card)
		b.until(batch.KindStarted, "a")
		b.batch.Finish()
		b.batch.Finish()
		late := newCard(t, slowly)
		b.rigs[1].seat(late)
		if totals := b.end(); totals.Intact != 1 || totals.Failed != 0 {
			t.Errorf("totals %+v", totals)
		}
		expectHolds(t, card)
		if writes := late.Counts().WrittenBytes; writes != 0 {
			t.Errorf("%d bytes written to a card that came too late", writes)
		}
		ending := 0
		for _, e := range b.told {
			if e.Kind == batch.KindEnding {
				ending++
			}
		}
		if ending != 1 {
			t.Errorf("the end was told %d times", ending)
		}
	})
}

func TestEndOfTheContextStopsCardsAtWork(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		b := begin(t, ctx, 1, nil)
		card := newCard(t, slowly)
		b.rigs[0].seat(card)
		b.until(batch.KindStarted, "a")
		time.Sleep(500 * time.Millisecond)
		began := time.Now()
		cancel()
		totals := b.end()
		if took := time.Since(began); took > 3*time.Second {
			t.Errorf("it took %v", took)
		}
		if totals.Failed != 1 || totals.Cards[0].Verdict != logbook.Unfinished {
			t.Errorf("totals %+v", totals)
		}
		if head := card.Truth().Read(0, 512); !slices.Equal(head, make([]byte, 512)) {
			t.Error("the card keeps a head")
		}
	})
}

// What was done by an earlier program is not done again, and a number that it gave out is not given again.
func TestBatchGoesOnWhereItStopped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		path := filepath.Join(t.TempDir(), "logbook.db")
		first := beginIn(t, t.Context(), path, 1, func(o *batch.Options) { o.Wanted = 3 })
		first.rigs[0].seat(newCard(t, slowly))
		first.until(batch.KindFinished, "a")
		first.batch.Finish()
		first.end()
		second := beginIn(t, t.Context(), path, 1, func(o *batch.Options) { o.Wanted = 2 })
		second.rigs[0].seat(newCard(t, slowly))
		if done := second.until(batch.KindFinished, "a"); done.Number != 2 {
			t.Errorf("number %d", done.Number)
		}
		if totals := second.end(); totals.Before != 1 || totals.Intact != 1 {
			t.Errorf("totals %+v", totals)
		}
	})
}

func TestImageThatFailsEndsTheBatch(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		broken := errors.New("the store's disk failed")
		b := begin(t, t.Context(), 1, func(o *batch.Options) {
			o.Image = func(context.Context) (batch.Image, error) { return nil, broken }
		})
		card := newCard(t, slowly)
		b.rigs[0].seat(card)
		if totals := b.end(); totals.Failed != 1 || !errors.Is(b.err, batch.ErrImageLost) {
			t.Errorf("%v, totals %+v", b.err, totals)
		}
		if writes := card.Counts().WrittenBytes; writes != 0 {
			t.Errorf("%d bytes written", writes)
		}
	})
}

func TestTooSmallCardIsRefusedAndUntouched(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := begin(t, t.Context(), 1, nil)
		small := newCard(t, cardlab.Traits{SizeBytes: 16 << 20})
		b.rigs[0].seat(small)
		if refused := b.until(batch.KindRefused, "a"); len(refused.Reasons) != 1 {
			t.Errorf("reasons %q", refused.Reasons)
		}
		time.Sleep(time.Minute) // the bay tries again and again, and tells it once
		b.batch.Finish()
		b.end()
		if writes := small.Counts().WrittenBytes; writes != 0 {
			t.Errorf("%d bytes written", writes)
		}
		if told := fmt.Sprint(b.kinds()); told != "[ begun a seated a refused  ending  ended]" {
			t.Errorf("events %s", told)
		}
	})
}

// Once five cards of the bay are known, one that is much slower is told while it is still written.
func TestSlowCardIsToldWhileItIsWritten(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		large := func(rate int64) *cardlab.Card {
			return newCard(t, cardlab.Traits{WriteBytesPerSecond: rate, ReadBytesPerSecond: 100e6, SizeBytes: 128 << 20})
		}
		b := begin(t, t.Context(), 1, func(o *batch.Options) { ofLength(o, 96<<20) })
		for range flash.PeersNeeded {
			b.rigs[0].seat(large(20e6))
			b.until(batch.KindFinished, "a")
			b.rigs[0].pull()
		}
		b.rigs[0].seat(large(6e6))
		slow := b.until(batch.KindSlow, "a")
		if slow.Pace.Pace != flash.PaceBelowPeers || slow.Rate > 6.1e6 || slow.Pace.PeersMedian < 19e6 {
			t.Errorf("%+v at %v", slow.Pace, slow.Rate)
		}
		b.until(batch.KindFinished, "a")
		b.batch.Finish()
		if totals := b.end(); totals.Slow != 1 || totals.Intact != 6 {
			t.Errorf("totals %+v", totals)
		}
	})
}

// From the second card of a bay on, it is told when the bay wants its next one.
func TestTimeThatIsLeftIsEstimated(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := begin(t, t.Context(), 1, nil)
		even := cardlab.Traits{WriteBytesPerSecond: 2e6, ReadBytesPerSecond: 2e6} // 25 MB: 12.6 s each
		b.rigs[0].seat(newCard(t, even))
		b.until(batch.KindFinished, "a")
		b.rigs[0].pull()
		b.rigs[0].seat(newCard(t, even))
		b.until(batch.KindStarted, "a")
		time.Sleep(8 * time.Second)
		look := b.batch.Looks()[0]
		began := time.Now()
		b.until(batch.KindFinished, "a")
		if took := time.Since(began); look.Left < took-4*time.Second || look.Left > took+4*time.Second {
			t.Errorf("%v was told, it took %v", look.Left, took)
		}
		b.batch.Finish()
		b.end()
	})
}

// A card that is intact but not recorded as done bears a label that the next program gives to another: the operator is told.
func TestLabelThatIsNotRecordedAsDoneIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var b *bench
		begun := make(chan struct{})
		b = begin(t, t.Context(), 1, func(o *batch.Options) {
			tell := o.Tell
			o.Rows = []project.Row{{project.LabelColumn: "hive-east"}, {project.LabelColumn: "hive-west"}}
			o.Tell = func(e batch.Event) {
				if e.Kind == batch.KindStarted {
					<-begun
					if err := b.record.Close(); err != nil { // from now on nothing is written
						t.Error(err)
					}
				}
				tell(e)
			}
		})
		close(begun)
		b.rigs[0].seat(newCard(t, slowly))
		if done := b.until(batch.KindFinished, "a"); done.Run.Verdict != logbook.Intact {
			t.Errorf("the card is %s", done.Run.Verdict)
		}
		b.end()
		if b.err == nil || !strings.Contains(b.err.Error(), "hive-east") || !strings.Contains(b.err.Error(), "flash it again") {
			t.Errorf("the batch ended with %v, which does not tell which card's label will be given again", b.err)
		}
	})
}
