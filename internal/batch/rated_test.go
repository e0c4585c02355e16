package batch_test

import (
	"testing"
	"testing/synctest"

	"cardwright/flash"
	"cardwright/internal/batch"
	"cardwright/internal/cardlab"
	"cardwright/internal/identity"
	"cardwright/internal/logbook"
)

// What is printed on the cards is what each is held against, while it is still written.
func TestCardBelowItsPrintIsToldWhileItIsWritten(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := begin(t, t.Context(), 1, func(o *batch.Options) {
			ofLength(o, 96<<20)
			o.Rated = identity.Claims{UHSGrade: 3}
		})
		b.rigs[0].seat(newCard(t, cardlab.Traits{WriteBytesPerSecond: 20e6, ReadBytesPerSecond: 100e6, SizeBytes: 128 << 20}))
		slow := b.until(batch.KindSlow, "a")
		if slow.Pace.Pace != flash.PaceBelowClaim || slow.Pace.Claim != (flash.Claim{BytesPerSecond: 30e6, Marks: "U3"}) {
			t.Errorf("%+v", slow.Pace)
		}
		run := b.until(batch.KindFinished, "a").Run
		if run.Pace != flash.PaceBelowClaim || run.Conditions.ClaimSource != logbook.ClaimPrinted {
			t.Errorf("%s, %+v", run.Pace, run.Conditions)
		}
		b.batch.Finish()
		if totals := b.end(); totals.Slow != 1 || totals.Intact != 1 {
			t.Errorf("totals %+v", totals)
		}
	})
}
