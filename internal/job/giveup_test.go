package job_test

import (
	"bytes"
	"context"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
)

func TestInterruptClosesTheRun(t *testing.T) {
	book, err := logbook.Open(t.Context(), filepath.Join(t.TempDir(), "logbook.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	ctx, cancel := context.WithCancel(t.Context())
	to, card := target(t, cardlab.Traits{})
	card.Inject(func(op cardlab.Op) cardlab.Fault {
		if op.OffsetBytes == 16*mib && op.Kind == cardlab.OpWrite {
			cancel()
		}
		return cardlab.FaultNone
	})
	run := job.Flash(ctx, held(orchardImage()), []job.Target{to}, job.Options{Book: book}).Cards[0]
	if run.Verdict != logbook.Unfinished || run.Error.Class != logbook.ClassInterrupted || !headIsClear(card) {
		t.Errorf("%s, %+v", run.Verdict, run.Error)
	}
	record, err := book.Show(t.Context(), run.RunID)
	if err != nil || record.Error == nil || record.Error.Class != logbook.ClassInterrupted {
		t.Errorf("the record says %+v: %v", record, err)
	}
}

func TestInterruptDoesNotWaitForCardThatHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		to, card := target(t, cardlab.Traits{SilentAfter: cardlab.After{WrittenBytes: 12 * mib}})
		time.AfterFunc(30*time.Second, cancel)
		began := time.Now()
		run := job.Flash(ctx, held(orchardImage()), []job.Target{to}, job.Options{}).Cards[0]
		if took := time.Since(began); took > 32*time.Second {
			t.Errorf("the report took %v", took)
		}
		if run.Verdict != logbook.Unfinished || run.Error.Class != logbook.ClassInterrupted || run.Error.Step != flash.StepBody {
			t.Errorf("%s, %+v", run.Verdict, run.Error)
		}
		card.Release()
	})
}

func TestCardThatHangsIsSetAsideAndTheOthersAreIntact(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sound, soundCard := target(t, cardlab.Traits{WriteBytesPerSecond: 40e6})
		stuck, stuckCard := target(t, cardlab.Traits{SilentAfter: cardlab.After{WrittenBytes: 12 * mib}})
		result := job.Flash(t.Context(), held(orchardImage()), []job.Target{stuck, sound}, job.Options{})
		if got := result.Cards[1]; got.Verdict != logbook.Intact || !bytes.Equal(soundCard.Truth().Read(0, 32*mib), orchardImage()) {
			t.Errorf("the sound card: %s, %+v", got.Verdict, got.Error)
		}
		if got := result.Cards[0]; got.Verdict != logbook.Unfinished || got.Error.Class != logbook.ClassCard || got.Error.OffsetBytes != 12*mib {
			t.Errorf("the stuck card: %s, %+v", got.Verdict, got.Error)
		}
		stuckCard.Release()
	})
}

// However late a call of a card that was set aside returns, in whichever flush it hung, no head stays on that card: its
// record says unfinished.
func TestCardThatWasSetAsideGetsNoHeadLater(t *testing.T) {
	for hanging := 2; hanging <= 4; hanging++ { // the body's flush, and both of the head's; the first is the clearing's
		synctest.Test(t, func(t *testing.T) {
			sound, _ := target(t, cardlab.Traits{})
			stuck, stuckCard := target(t, cardlab.Traits{})
			late := &lateFlush{Card: stuckCard, at: hanging}
			stuck.Card = late
			result := job.Flash(t.Context(), held(orchardImage()), []job.Target{sound, stuck}, job.Options{})
			if result.Cards[0].Verdict != logbook.Intact || result.Cards[1].Verdict != logbook.Unfinished {
				t.Errorf("flush %d: %s and %s", hanging, result.Cards[0].Verdict, result.Cards[1].Verdict)
			}
			time.Sleep(time.Hour)
			if !headIsClear(stuckCard) {
				t.Errorf("flush %d: a head stayed on a card whose run is unfinished", hanging)
			}
			if got := late.headWrites; hanging < 4 && got > 0 {
				t.Errorf("flush %d: the boot sector was written %d times after the card was set aside", hanging, got)
			}
		})
	}
}

// A lateFlush is a card one of whose flushes takes a minute. It counts writes of the boot sector.
type lateFlush struct {
	*cardlab.Card
	at, flushes, headWrites int
}

func (l *lateFlush) Flush() error {
	if l.flushes++; l.flushes == l.at {
		time.Sleep(time.Minute)
	}
	return l.Card.Flush()
}

func (l *lateFlush) WriteAt(p []byte, offsetBytes int64) (int, error) {
	if offsetBytes == 0 && len(p) == flash.LastBytes {
		l.headWrites++
	}
	return l.Card.WriteAt(p, offsetBytes)
}

// A proven card whose table then cannot be read is no finished card, and keeps no head either.
func TestFailureOfTheInspectionLeavesNoHead(t *testing.T) {
	to, card := target(t, cardlab.Traits{})
	proven := false
	card.Inject(func(op cardlab.Op) cardlab.Fault {
		if op.Kind == cardlab.OpRead && proven && op.LengthBytes < block {
			return cardlab.FaultError
		}
		proven = proven || op.Kind == cardlab.OpWrite && op.OffsetBytes == 0 && op.LengthBytes == flash.LastBytes
		return cardlab.FaultNone
	})
	run := job.Flash(t.Context(), held(orchardImage()), []job.Target{to}, job.Options{}).Cards[0]
	if run.Verdict != logbook.Unfinished || run.Error == nil || run.Error.Step != flash.StepInspect || !headIsClear(card) {
		t.Errorf("%s, %+v, head clear %v", run.Verdict, run.Error, headIsClear(card))
	}
}

// A card that vanishes while its head is read back keeps its head, and the run must not promise otherwise.
func TestCardThatVanishesInTheHeadsProofMayKeepItsHead(t *testing.T) {
	image := orchardImage()[:12*mib]
	run, card := flashOne(t, image, cardlab.Traits{GoneAfter: cardlab.After{ReadBytes: 12*mib + 512}})
	if !bytes.Equal(card.Truth().Read(0, len(image)), image) {
		t.Fatal("the card does not hold the image: the case is no test")
	}
	if run.Verdict != logbook.Unfinished || run.Error == nil || run.Error.Step != flash.StepHead || !told(run.Findings, "not-blanked") {
		t.Errorf("%s, %+v, %+v", run.Verdict, run.Error, run.Findings)
	}
	if run.TimeToProvenSeconds != nil {
		t.Errorf("proven after %v s, though it is not", *run.TimeToProvenSeconds)
	}
}

// So may one that hangs there, and is left behind.
func TestCardThatHangsInTheHeadsProofMayKeepItsHead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		image := orchardImage()[:12*mib]
		to, card := target(t, cardlab.Traits{SilentAfter: cardlab.After{ReadBytes: 12*mib + 512}})
		time.AfterFunc(30*time.Second, cancel)
		run := job.Flash(ctx, held(image), []job.Target{to}, job.Options{}).Cards[0]
		if run.Error == nil || run.Error.Step != flash.StepHead || !told(run.Findings, "not-blanked") {
			t.Errorf("%s, %+v, %+v", run.Verdict, run.Error, run.Findings)
		}
		card.Release()
	})
}

// Three cards that hang take no longer to report than one.
func TestInterruptDoesNotWaitForEachCardThatHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		var targets []job.Target
		var cards []*cardlab.Card
		for range 3 {
			to, card := target(t, cardlab.Traits{SilentAfter: cardlab.After{WrittenBytes: 12 * mib}})
			targets, cards = append(targets, to), append(cards, card)
		}
		time.AfterFunc(30*time.Second, cancel)
		began := time.Now()
		runs := job.Flash(ctx, held(orchardImage()), targets, job.Options{}).Cards
		if took := time.Since(began); took > 32*time.Second {
			t.Errorf("the report took %v", took)
		}
		for i, run := range runs {
			if run.Verdict != logbook.Unfinished || run.Error.Class != logbook.ClassInterrupted {
				t.Errorf("%s, %+v", run.Verdict, run.Error)
			}
			cards[i].Release()
		}
	})
}

// So is a check.
func TestInterruptDoesNotWaitForACheckThatHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		to, card := target(t, cardlab.Traits{SilentAfter: cardlab.After{ReadBytes: 8 * mib}})
		time.AfterFunc(30*time.Second, cancel)
		began := time.Now()
		run := job.Check(ctx, held(orchardImage()), to, job.Options{}).Cards[0]
		if took := time.Since(began); took > 32*time.Second {
			t.Errorf("the report took %v", took)
		}
		if run.Verdict != logbook.Unfinished || run.Error == nil || run.Error.Class != logbook.ClassInterrupted || run.Error.Step != flash.StepProof {
			t.Errorf("%s, %+v", run.Verdict, run.Error)
		}
		if len(run.Findings) > 0 {
			t.Errorf("a check writes nothing, so nothing was to be blanked: %+v", run.Findings)
		}
		card.Release()
	})
}

// The report of an interrupt does not wait for a slow card whose head is written; whoever waits for the rest sees it blanked.
func TestSlowCardIsBlankedAfterTheReport(t *testing.T) {
	for slow := 3; slow <= 4; slow++ { // both flushes of the head
		synctest.Test(t, func(t *testing.T) {
			ctx, cancel := context.WithCancel(t.Context())
			to, card := target(t, cardlab.Traits{})
			to.Card = &lateFlush{Card: card, at: slow}
			time.AfterFunc(30*time.Second, cancel) // in the middle of that flush
			began := time.Now()
			result := job.Flash(ctx, held(orchardImage()), []job.Target{to}, job.Options{})
			if took := time.Since(began); took > 32*time.Second {
				t.Errorf("flush %d: the report took %v", slow, took)
			}
			if run := result.Cards[0]; run.Verdict != logbook.Unfinished || !told(run.Findings, "not-blanked") {
				t.Errorf("flush %d: %s, %+v", slow, run.Verdict, run.Findings)
			}
			if <-result.Rest; !headIsClear(card) {
				t.Errorf("flush %d: the head stands", slow)
			}
		})
	}
}

// What a whole proof found is not lost when the card then hangs while it is blanked.
func TestDamageOutlivesACardThatHangsAfterwards(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		to, card := target(t, cardlab.Traits{Flips: []cardlab.Flip{{OffsetBytes: 13 * mib}}})
		flushes := 0
		card.Inject(func(op cardlab.Op) cardlab.Fault {
			if op.Kind == cardlab.OpFlush {
				flushes++
			}
			if flushes == 2 && op.Kind == cardlab.OpWrite { // the body is proven; only blanking writes now
				return cardlab.FaultHang
			}
			return cardlab.FaultNone
		})
		run := job.Flash(t.Context(), held(orchardImage()), []job.Target{to}, job.Options{}).Cards[0]
		if run.Verdict != logbook.Damaged || run.Proof == nil || len(run.Proof.Damage) != 1 || run.Proof.Damage[0].OffsetBytes != 12*mib ||
			run.Error == nil || run.Error.Class != logbook.ClassCard {
			t.Errorf("%s, %+v, %+v", run.Verdict, run.Proof, run.Error)
		}
		card.Release()
	})
}

// Blanking is read back: a card that only says that it took the zeros keeps its head, and the run says so.
func TestBlankingThatWasForgottenIsTold(t *testing.T) {
	to, card := target(t, cardlab.Traits{Flips: []cardlab.Flip{{OffsetBytes: 3 * mib}}})
	headWritten := false
	to.Card = tampering{card, func(p []byte, offsetBytes int64) ([]byte, int64) {
		if headWritten {
			return nil, 0
		}
		headWritten = offsetBytes == 0 && len(p) == flash.LastBytes
		return p, offsetBytes
	}}
	run := job.Flash(t.Context(), held(orchardImage()), []job.Target{to}, job.Options{}).Cards[0]
	if run.Verdict != logbook.Damaged || !told(run.Findings, "not-blanked") || headIsClear(card) {
		t.Errorf("%s, %+v, head clear %v", run.Verdict, run.Findings, headIsClear(card))
	}
}
