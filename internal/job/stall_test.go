package job_test

import (
	"bytes"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
)

// A card alone that stops answering, in whichever step, is reported after the limit with the place it stood at.
func TestCardThatStopsAnsweringIsReportedWithItsPlace(t *testing.T) {
	image := orchardImage()
	read, write, flush := is(cardlab.OpRead), is(cardlab.OpWrite), is(cardlab.OpFlush)
	for name, c := range map[string]struct {
		hangs func(op cardlab.Op) bool // the first operation of which this is true
		step  flash.Step
		at    int64
		call  string
	}{
		"clearing": {
			func(op cardlab.Op) bool { return write(op) && op.OffsetBytes == 63*mib },
			flash.StepClear, 63 * mib, "a write of 1048576 bytes at byte 66060288",
		},
		"a write of the body": {
			func(op cardlab.Op) bool { return write(op) && op.OffsetBytes == 12*mib },
			flash.StepBody, 12 * mib, "a write of 4194304 bytes at byte 12582912",
		},
		"the body's flush": {
			func(op cardlab.Op) bool { return flush(op) && op.Number > 3 }, // the first is the clearing's
			flash.StepBody, 32 * mib, "a flush",
		},
		"a read of the proof": {
			func(op cardlab.Op) bool { return read(op) && op.OffsetBytes == 8*mib },
			flash.StepProof, 8 * mib, "a read of 4194304 bytes at byte 8388608",
		},
		"the head's last part": {
			func(op cardlab.Op) bool { return write(op) && op.LengthBytes == flash.LastBytes },
			flash.StepHead, 0, "a write of 4096 bytes at byte 0",
		},
		"the inspection": {
			func(op cardlab.Op) bool { return read(op) && op.LengthBytes <= 64<<10 },
			flash.StepInspect, 0, "a read of 65536 bytes at byte 0",
		},
	} {
		for limit, asked := range map[time.Duration]time.Duration{job.DefaultStallLimit: 0, 7 * time.Second: 7 * time.Second} {
			synctest.Test(t, func(t *testing.T) {
				to, card := target(t, cardlab.Traits{})
				card.Inject(func(op cardlab.Op) cardlab.Fault {
					if c.hangs(op) {
						return cardlab.FaultHang
					}
					return cardlab.FaultNone
				})
				began := time.Now()
				run := job.Flash(t.Context(), held(image), []job.Target{to}, job.Options{StallLimit: asked}).Cards[0]
				if took := time.Since(began); took < limit || took > limit+3*time.Second {
					t.Errorf("%s: reported after %v; the limit is %v", name, took, limit)
				}
				if run.Verdict != logbook.Unfinished || run.Error == nil || run.Error.Class != logbook.ClassCard ||
					run.Error.Step != c.step || run.Error.OffsetBytes != c.at || !strings.Contains(run.Error.Cause, c.call) {
					t.Errorf("%s: %s, %+v", name, run.Verdict, run.Error)
				}
				headMayStand := c.step == flash.StepHead || c.step == flash.StepInspect
				if told(run.Findings, "not-blanked") != headMayStand {
					t.Errorf("%s: %+v", name, run.Findings)
				}
				card.Release()
			})
		}
	}
}

// is tells operations of one kind.
func is(kind cardlab.OpKind) func(cardlab.Op) bool {
	return func(op cardlab.Op) bool { return op.Kind == kind }
}

// Slowness is not silence: a call just under the limit, many times over, is waited for.
func TestSlowCallsAreWaitedFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		to, card := target(t, cardlab.Traits{
			Stalls: []cardlab.Stall{{EveryBytes: block, For: 50 * time.Second}}, ReadBytesPerSecond: 100e3,
		})
		run := job.Flash(t.Context(), held(orchardImage()), []job.Target{to}, job.Options{}).Cards[0]
		if run.Verdict != logbook.Intact || !bytes.Equal(card.Truth().Read(0, 32*mib), orchardImage()) {
			t.Errorf("%s, %+v", run.Verdict, run.Error)
		}
	})
}

// A card is looked at twice before it is given up, a second apart: a program that was itself stopped for a while finds calls
// that look old and return at once.
func TestCallThatReturnsAtTheSecondLookIsNoStall(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const late = job.DefaultStallLimit + 500*time.Millisecond
		to, _ := target(t, cardlab.Traits{Stalls: []cardlab.Stall{{OffsetBytes: 3 * block, For: late, Once: true}}})
		if run := job.Flash(t.Context(), held(orchardImage()), []job.Target{to}, job.Options{}).Cards[0]; run.Verdict != logbook.Intact {
			t.Errorf("%s, %+v", run.Verdict, run.Error)
		}
	})
}

// A source that gives nothing for an hour is no fault of the card.
func TestCardThatWaitsForItsImageDoesNotStall(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		image := orchardImage()
		to, _ := target(t, cardlab.Traits{})
		late := &heldImage{Reader: &pausing{bytes.NewReader(image), 20 * mib}, declared: int64(len(image))}
		run := job.Flash(t.Context(), late, []job.Target{to}, job.Options{StallLimit: time.Minute}).Cards[0]
		if run.Verdict != logbook.Intact {
			t.Errorf("%s, %+v", run.Verdict, run.Error)
		}
	})
}

// A pausing reader pauses for an hour when so many bytes are left.
type pausing struct {
	*bytes.Reader
	left int
}

func (p *pausing) Read(b []byte) (int, error) {
	if p.Len() == p.left {
		<-time.After(time.Hour)
	}
	return p.Reader.Read(b)
}

// With a limit below the patience, too, the others go on as soon as one card is given up.
func TestOthersGoOnWhenOneStopsAnswering(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		one, first := target(t, cardlab.Traits{WriteBytesPerSecond: 40e6})
		stuck, stuckCard := target(t, cardlab.Traits{SilentAfter: cardlab.After{WrittenBytes: 12 * mib}})
		two, second := target(t, cardlab.Traits{})
		began := time.Now()
		targets, options := []job.Target{one, stuck, two}, job.Options{StallLimit: 4 * time.Second}
		runs := job.Flash(t.Context(), held(orchardImage()), targets, options).Cards
		if took := time.Since(began); took > 10*time.Second {
			t.Errorf("took %v", took)
		}
		for i, card := range map[int]*cardlab.Card{0: first, 2: second} {
			if runs[i].Verdict != logbook.Intact || !bytes.Equal(card.Truth().Read(0, 32*mib), orchardImage()) {
				t.Errorf("card %d: %s, %+v", i, runs[i].Verdict, runs[i].Error)
			}
		}
		got := runs[1]
		if got.Verdict != logbook.Unfinished || got.Error.Class != logbook.ClassCard || got.Error.OffsetBytes != 12*mib {
			t.Errorf("the stuck card: %s, %+v", got.Verdict, got.Error)
		}
		stuckCard.Release()
	})
}

// A check gives up in the same way.
func TestCheckOfACardThatStopsAnswering(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		image := orchardImage()
		to, card := target(t, cardlab.Traits{})
		if run := job.Flash(t.Context(), held(image), []job.Target{to}, job.Options{}).Cards[0]; run.Verdict != logbook.Intact {
			t.Fatal(run.Error)
		}
		card.Inject(func(op cardlab.Op) cardlab.Fault {
			if op.OffsetBytes == 16*mib {
				return cardlab.FaultHang
			}
			return cardlab.FaultNone
		})
		run := job.Check(t.Context(), held(image), to, job.Options{}).Cards[0]
		if run.Verdict != logbook.Unfinished || run.Error == nil || run.Error.Class != logbook.ClassCard ||
			run.Error.Step != flash.StepProof || run.Error.OffsetBytes != 16*mib ||
			!strings.Contains(run.Error.Cause, flash.ErrStalled.Error()) {
			t.Errorf("%s, %+v", run.Verdict, run.Error)
		}
		card.Release()
	})
}
