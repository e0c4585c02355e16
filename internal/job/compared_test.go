package job_test

import (
	"bytes"
	"testing"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
	"cardwright/verify"
)

// A comparedImage was compared with a manifest when it was read.
type comparedImage struct {
	*heldImage
	manifest *flash.Manifest
}

func (c comparedImage) Manifest() *flash.Manifest { return c.manifest }

// A bit that flips between the store's comparison and the card is damage of that block, and not a part of the image.
func TestBitThatFlipsAfterTheComparisonIsDamage(t *testing.T) {
	const flippedAt = 2*flash.BlockBytes + 9
	image, meant := orchardImage(), &flash.Manifest{}
	for at := 0; at < len(image); at += flash.BlockBytes {
		meant.Append(image[at:min(len(image), at+flash.BlockBytes)])
	}
	for _, flips := range []bool{false, true} {
		came, want := bytes.Clone(image), logbook.Intact
		if flips {
			came[flippedAt] ^= 4
			want = logbook.Damaged
		}
		to, card := target(t, cardlab.Traits{})
		run := job.Flash(t.Context(), comparedImage{held(came), meant}, []job.Target{to}, job.Options{Prepared: true}).Cards[0]
		if run.Verdict != want || headIsClear(card) != flips {
			t.Errorf("flips: %v: %s, %+v", flips, run.Verdict, run.Error)
		}
		if damage := run.Proof.Damage; flips && (len(damage) != 1 || damage[0].OffsetBytes != 2*flash.BlockBytes || damage[0].Kind != verify.KindChanged) {
			t.Errorf("the damage is %+v", damage)
		}
	}
}
