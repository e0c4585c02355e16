package job_test

import (
	"bytes"
	"context"
	"io"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
	"cardwright/verify"
)

// A tampering card does something else with a write than it says: it may change, move or forget it.
type tampering struct {
	*cardlab.Card
	tamper func(p []byte, offsetBytes int64) (stored []byte, atBytes int64)
}

func (c tampering) WriteAt(p []byte, offsetBytes int64) (int, error) {
	stored, at := c.tamper(p, offsetBytes)
	if stored == nil {
		return len(p), nil
	}
	return c.Card.WriteAt(stored, at)
}

// storing lets the card hold the same value all over a block.
func storing(value byte, atBytes int64) func([]byte, int64) ([]byte, int64) {
	return func(p []byte, offsetBytes int64) ([]byte, int64) {
		if offsetBytes != atBytes {
			return p, offsetBytes
		}
		q := flash.AlignedBuffer(len(p))
		copy(q, bytes.Repeat([]byte{value}, len(q)))
		return q, offsetBytes
	}
}

// moving lets the card take one block's address for another's, both ways.
func moving(a, b int64) func([]byte, int64) ([]byte, int64) {
	return func(p []byte, offsetBytes int64) ([]byte, int64) {
		switch offsetBytes {
		case a:
			return p, b
		case b:
			return p, a
		}
		return p, offsetBytes
	}
}

// forgetting lets the card drop one write.
func forgetting(atBytes int64) func([]byte, int64) ([]byte, int64) {
	return func(p []byte, offsetBytes int64) ([]byte, int64) {
		if offsetBytes == atBytes {
			return nil, 0
		}
		return p, offsetBytes
	}
}

// oddBytes is the length of an image of seven blocks, the last one short and ending within a sector.
const oddBytes = 6*block + 70_700

// Each case spoils the card in one known way while it is flashed; the truth is what was done to it.
func TestDamageIsFoundAlways(t *testing.T) {
	whole := func(at int64, kind verify.Kind) []verify.Damage {
		return []verify.Damage{{OffsetBytes: at, LengthBytes: min(block, oddBytes-at), Kind: kind}}
	}
	from := func(at, n, from int64) verify.Damage {
		return verify.Damage{OffsetBytes: at, LengthBytes: n, Kind: verify.KindDisplaced, FromBytes: &from}
	}
	flip := func(at int64) cardlab.Traits { return cardlab.Traits{Flips: []cardlab.Flip{{OffsetBytes: at}}} }
	wrap := func(trueBytes int64) cardlab.Traits {
		return cardlab.Traits{TrueSizeBytes: trueBytes, Beyond: cardlab.Wrap}
	}
	cases := map[string]struct {
		traits   cardlab.Traits
		tamper   func([]byte, int64) ([]byte, int64)
		want     []verify.Damage
		trueSize int64 // 0: not told
	}{
		"a bit of the first byte":     {traits: flip(0), want: whole(0, verify.KindChanged)},
		"a bit of the head's rest":    {traits: flip(3 * mib), want: whole(0, verify.KindChanged)},
		"a bit of the second block":   {traits: flip(block), want: whole(block, verify.KindChanged)},
		"a bit in the middle":         {traits: flip(oddBytes / 2), want: whole(3*block, verify.KindChanged)},
		"a bit of the partial block":  {traits: flip(6*block + 5), want: whole(6*block, verify.KindChanged)},
		"a bit of the last byte":      {traits: flip(oddBytes - 1), want: whole(6*block, verify.KindChanged)},
		"zeros over a block":          {tamper: storing(0x00, 2*block), want: whole(2*block, verify.KindZeros)},
		"zeros over the last block":   {tamper: storing(0x00, 6*block), want: whole(6*block, verify.KindZeros)},
		"ones over a block":           {tamper: storing(0xFF, 4*block), want: whole(4*block, verify.KindOnes)},
		"a dropped write":             {tamper: forgetting(2 * block), want: whole(2*block, verify.KindChanged)},
		"a dropped write of the head": {tamper: forgetting(flash.LastBytes), want: whole(0, verify.KindChanged)},
		"a dropped boot sector":       {tamper: forgetting(0), want: whole(0, verify.KindChanged)},
		"two blocks swapped": {tamper: moving(block, 5*block), want: []verify.Damage{
			from(block, block, 5*block), from(5*block, block, block),
		}},
		"unstable reads": {
			traits: cardlab.Traits{Unstable: []cardlab.Span{{OffsetBytes: 3*block + 9, LengthBytes: 1}}},
			want:   whole(3*block, verify.KindUnstable),
		},
		"unstable once": {
			traits: cardlab.Traits{Flips: []cardlab.Flip{{OffsetBytes: 5 * block, OnRead: true, Once: true}}},
			want:   whole(5*block, verify.KindUnstable),
		},
		"an unreadable sector": {
			traits: cardlab.Traits{Bad: []cardlab.BadRange{{Span: cardlab.Span{OffsetBytes: 4*block + 512, LengthBytes: 512}, Read: true}}},
			want:   whole(4*block, verify.KindUnreadable),
		},
		// Both ends were cleared before, and the head is never written: 2 MiB and then five blocks.
		"turned read-only, and says otherwise": {
			traits: cardlab.Traits{ReadOnlyAfterBytes: 2*mib + 4*block, ReadOnlyDrops: true},
			want:   []verify.Damage{{OffsetBytes: 5 * block, LengthBytes: oddBytes - 5*block, Kind: verify.KindChanged}},
		},
		"wraps at a block": {traits: wrap(5 * block), trueSize: 5 * block, want: []verify.Damage{
			from(0, block, 5*block), {OffsetBytes: block, LengthBytes: block, Kind: verify.KindChanged},
		}},
		"wraps at a half": {traits: wrap(4*block + block/2), trueSize: 4*block + block/2, want: []verify.Damage{
			from(0, block, 4*block+block/2), {OffsetBytes: block, LengthBytes: block, Kind: verify.KindChanged},
		}},
		"wraps at any sector": {traits: wrap(5*block - 512*777), trueSize: 5*block - 512*777, want: []verify.Damage{
			from(0, block, 5*block-512*777), {OffsetBytes: block, LengthBytes: block, Kind: verify.KindChanged},
		}},
		"wraps by the last sector alone": {
			traits: wrap(oddBytes / 512 * 512), trueSize: oddBytes / 512 * 512, want: whole(0, verify.KindChanged),
		},
		"drops what lies beyond": {
			traits: cardlab.Traits{TrueSizeBytes: 4*block + 512, Beyond: cardlab.Drop}, want: []verify.Damage{
				{OffsetBytes: 4 * block, LengthBytes: block, Kind: verify.KindChanged},
				{OffsetBytes: 5 * block, LengthBytes: oddBytes - 5*block, Kind: verify.KindZeros},
			},
		},
	}
	image := orchardImage()[:oddBytes]
	for name, c := range cases {
		to, card := target(t, c.traits)
		if c.tamper != nil {
			to.Card = tampering{card, c.tamper}
		}
		run := flashTwice(t, to, image)
		headCanBeClear := c.tamper == nil && (c.traits.Flips == nil || c.traits.Flips[0].OffsetBytes >= mib)
		if run.Verdict != logbook.Damaged || run.Error != nil || headCanBeClear && !headIsClear(card) {
			t.Errorf("%s: %s, %+v, head clear %v", name, run.Verdict, run.Error, headIsClear(card))
		}
		if diff := cmp.Diff(c.want, run.Proof.Damage, cmpopts.IgnoreFields(verify.Damage{}, "Partition")); diff != "" {
			t.Errorf("%s: damage (-want +got):\n%s", name, diff)
		}
		var trueSize int64
		if run.Proof.TrueSizeBytes != nil {
			trueSize = *run.Proof.TrueSizeBytes
		}
		if trueSize != c.trueSize {
			t.Errorf("%s: a true size of %d is told; want %d", name, trueSize, c.trueSize)
		}
	}
	t.Logf("damages: %d cases", len(cases))
}

// flashTwice flashes an image that can be read a second time.
func flashTwice(t *testing.T, to job.Target, image []byte) logbook.Run {
	t.Helper()
	again := func(context.Context) (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(image)), nil }
	return job.Flash(t.Context(), held(image), []job.Target{to}, job.Options{Again: again}).Cards[0]
}

// A card that refuses what lies beyond its true size fails at the block that crosses it.
func TestCardThatRefusesWhatLiesBeyondFailsThere(t *testing.T) {
	to, card := target(t, cardlab.Traits{TrueSizeBytes: 4*block + 512, Beyond: cardlab.Refuse})
	run := flashTwice(t, to, orchardImage()[:oddBytes])
	// The clearing of the last 1 MiB meets it first.
	if run.Verdict != logbook.Unfinished || run.Error == nil || run.Error.Class != logbook.ClassCard || run.Error.Step != flash.StepClear ||
		run.Error.OffsetBytes != card.SizeBytes()-mib || !headIsClear(card) {
		t.Errorf("%s, %+v", run.Verdict, run.Error)
	}
}

// Two hundred flipped bits at seeded places, each found in its block and nowhere else.
func TestEveryFlippedBitIsFoundWhileFlashing(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	const length = 2*block + 12345
	image := orchardImage()[:length]
	flips := 200
	if testing.Short() {
		flips = 16
	}
	for range flips / 8 {
		var targets []job.Target
		var places []int64
		for range 8 {
			start := block * random.Int64N(3) // each block as often, the short one too
			at := start + random.Int64N(min(block, length-start))
			to, _ := target(t, cardlab.Traits{
				SizeBytes: 12 * mib, Flips: []cardlab.Flip{{OffsetBytes: at, Mask: 1 << random.IntN(8), OnRead: random.IntN(2) == 0}},
			})
			targets, places = append(targets, to), append(places, at)
		}
		for i, run := range job.Flash(t.Context(), held(image), targets, job.Options{}).Cards {
			start := places[i] / block * block
			want := []verify.Damage{{OffsetBytes: start, LengthBytes: min(block, length-start), Kind: verify.KindChanged}}
			ignored := cmpopts.IgnoreFields(verify.Damage{}, "Partition")
			if run.Verdict != logbook.Damaged || cmp.Diff(want, run.Proof.Damage, ignored) != "" {
				t.Errorf("byte %d: %s, %+v", places[i], run.Verdict, run.Proof)
			}
		}
	}
	t.Logf("flipped bits: %d", flips)
}

// A thousand sound runs raise no alarm: 125 seeded images of one to four blocks, with seeded stretches of zeros, go to eight
// cards each.
func TestSoundRunsRaiseNoAlarm(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	pattern := orchardImage()
	const atOnce = 8
	runs := 1000
	if testing.Short() {
		runs = 80
	}
	for range runs / atOnce {
		image := bytes.Clone(pattern[:random.IntN(4)*block+1+random.IntN(block)])
		for range random.IntN(4) {
			at := random.IntN(len(image))
			clear(image[at:min(len(image), at+random.IntN(2*block))])
		}
		var targets []job.Target
		var cards []*cardlab.Card
		for range atOnce {
			sector := 512 << random.IntN(4)
			sectors := (len(image)+sector-1)/sector + random.IntN(3000)
			to, card := target(t, cardlab.Traits{SizeBytes: int64(sectors * sector), SectorBytes: sector, Seed: random.Uint64()})
			targets, cards = append(targets, to), append(cards, card)
		}
		for i, run := range job.Flash(t.Context(), held(image), targets, job.Options{}).Cards {
			if run.Verdict != logbook.Intact || len(run.Proof.Damage) > 0 || run.Proof.TrueSizeBytes != nil ||
				!bytes.Equal(cards[i].Truth().Read(0, len(image)), image) {
				t.Fatalf("%d bytes on a card of %d: %s, %+v, %+v", len(image), cards[i].SizeBytes(), run.Verdict, run.Proof, run.Error)
			}
		}
	}
	t.Logf("sound runs: %d", runs)
}

// A second look at the image takes its time. The head is off the card before it begins.
func TestHeadIsOffBeforeTheSecondLook(t *testing.T) {
	image := orchardImage()[:oddBytes]
	to, card := target(t, cardlab.Traits{Flips: []cardlab.Flip{{OffsetBytes: 3 * mib}}}) // of the head, found when it was written
	looked := false
	again := func(context.Context) (io.ReadCloser, error) {
		looked = true
		if !headIsClear(card) {
			t.Error("the head stands on a card that is known to be damaged")
		}
		return io.NopCloser(bytes.NewReader(image)), nil
	}
	run := job.Flash(t.Context(), held(image), []job.Target{to}, job.Options{Again: again}).Cards[0]
	if run.Verdict != logbook.Damaged || !looked {
		t.Errorf("%s, looked again %v", run.Verdict, looked)
	}
}
