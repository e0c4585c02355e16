package verify_test

import (
	"bytes"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/verify"
)

// freeing is the manifest of an image with some blocks left free.
func freeing(image []byte, free ...int) *flash.Manifest {
	m := manifestOf(image)
	m.Free = make([]bool, len(m.Blocks))
	for _, i := range free {
		m.Free[i] = true
	}
	return m
}

// putBody writes all of an image's blocks but the head and the free ones, in order.
func putBody(t *testing.T, card flash.Card, image []byte, m *flash.Manifest) {
	t.Helper()
	for i := 1; i < len(m.Blocks); i++ {
		if b := m.Block(i); !m.IsFree(i) {
			put(t, card, image[b.OffsetBytes:b.OffsetBytes+int64(b.LengthBytes)], b.OffsetBytes)
		}
	}
}

// oldCard is a card with other content of its own.
func oldCard(t *testing.T, traits cardlab.Traits) *cardlab.Card {
	t.Helper()
	traits.SizeBytes, traits.OldContent, traits.Seed = 64*mib, true, 9
	card, err := cardlab.New(traits)
	must(t, err)
	return card
}

func proveFreeing(t *testing.T, card flash.Card, image []byte, m *flash.Manifest) *verify.Proof {
	t.Helper()
	p := verify.NewProver(card, m, &flash.Meter{})
	must(t, p.Whole(t.Context()))
	if p.Unexplained() {
		must(t, p.LookAgain(t.Context(), bytes.NewReader(image)))
	}
	return p.Proof(true)
}

func TestFreeBlocksAreNeitherReadNorCountedNorDamage(t *testing.T) {
	image := randomImage(6*block + 700)
	m := freeing(image, 2, 3, 5)
	card := oldCard(t, cardlab.Traits{})
	putBody(t, card, image, m)
	put(t, card, image[:block], 0)
	card.Inject(func(op cardlab.Op) cardlab.Fault {
		if m.IsFree(int(op.OffsetBytes / block)) {
			t.Errorf("%+v", op)
		}
		return cardlab.FaultNone
	})
	meter := &flash.Meter{}
	p := verify.NewProver(card, m, meter)
	must(t, p.Body(t.Context()))
	if p.Sound() {
		t.Error("the head stands already, and the body's proof does not see it")
	}
	p = verify.NewProver(card, m, meter)
	must(t, p.Whole(t.Context()))
	want := int64(len(image) - 3*block)
	if proof := p.Proof(true); len(proof.Damage) != 0 || proof.Bytes != want || m.FreeBytes() != 3*block {
		t.Errorf("%+v, %d bytes wanted", proof, want)
	}
}

// What stands in a free block of the image was never written: content that occurs there alone comes from nowhere, and content that
// occurs there too comes from the other place.
func TestNothingComesFromAFreeBlock(t *testing.T) {
	image := randomImage(7 * block)
	copy(image[5*block:6*block], image[3*block:])
	m := freeing(image, 4, 5)
	card := oldCard(t, cardlab.Traits{})
	putBody(t, card, image, m)
	put(t, card, image[:block], 0)
	put(t, card, image[4*block:5*block], 2*block)
	put(t, card, image[3*block:4*block], block)
	want := []verify.Damage{displaced(block, block, 3*block), damage(2*block, block, verify.KindChanged)}
	if diff := cmp.Diff(want, proveFreeing(t, card, image, m).Damage); diff != "" {
		t.Errorf("damage (-want +got):\n%s", diff)
	}
	put(t, card, image[4*block+512:5*block-512], 2*block) // shifted, as no block's digest shows
	if diff := cmp.Diff(want, proveFreeing(t, card, image, m).Damage); diff != "" {
		t.Errorf("shifted: damage (-want +got):\n%s", diff)
	}
}

// A card that wraps gives its true size by the blocks that were written, though those that were not leave others sound.
func TestWrapIsFoundByWhatWasWritten(t *testing.T) {
	for _, c := range []struct {
		trueBytes int64
		free      []int
		want      bool
	}{
		{5 * block, []int{7}, true},
		{5 * block, []int{6, 7, 3}, true},
		{5*block + 512, []int{7, 8}, true},
		{5*block + block/2, []int{8, 9}, true},
		// Of these, only the head's place tells, and that may have gone around once or twice.
		{5 * block, []int{1, 2, 3, 4, 5, 6}, false},
		{5 * block, []int{5, 6, 7, 8, 9, 4}, false},
	} {
		image := randomImage(10*block + 512)
		m := freeing(image, c.free...)
		card := oldCard(t, cardlab.Traits{TrueSizeBytes: c.trueBytes, Beyond: cardlab.Wrap})
		put(t, card, image[:block], 0)
		putBody(t, card, image, m)
		proof := proveFreeing(t, card, image, m)
		if found := proof.TrueSizeBytes != nil && *proof.TrueSizeBytes == c.trueBytes; found != c.want || !found && proof.TrueSizeBytes != nil {
			t.Errorf("true size %d, free %v: %+v", c.trueBytes, c.free, proof)
		}
	}
}

// What is sound speaks against a wrap only where something was written that would have gone over it.
func TestDisplacedContentBesideFreeBlocksMakesNoTrueSize(t *testing.T) {
	image := randomImage(8 * block)
	m := freeing(image, 5)
	card := oldCard(t, cardlab.Traits{})
	put(t, card, image[:block], 0)
	putBody(t, card, image, m)
	put(t, card, image[6*block:7*block], 2*block) // four blocks apart; block 3 would be gone under block 7 then
	if proof := proveFreeing(t, card, image, m); proof.TrueSizeBytes != nil || len(proof.Damage) != 1 {
		t.Errorf("%+v", proof)
	}
}

// TestNoWrapWithFreeBlocksLosesWhatWasProven writes images of random, zero and free blocks to cards that wrap anywhere, as a job
// does: whenever the proof is sound, every block that was written is on the card.
func TestNoWrapWithFreeBlocksLosesWhatWasProven(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	content, rounds := randomImage(9*block), 24
	if testing.Short() {
		rounds = 6
	}
	sound := 0
	for range rounds {
		image := bytes.Clone(content[:(5+random.IntN(4))*block-random.IntN(2)*(block-700)])
		var free []int
		last := (len(image) - 1) / block
		for i := 1; i <= last; i++ {
			if random.IntN(3) > 0 {
				clear(image[i*block : min(len(image), (i+1)*block)])
			}
			if i < last && random.IntN(2) == 0 {
				free = append(free, i)
			}
		}
		trueBytes := block + 512*random.Int64N(int64(len(image))/512)
		if random.IntN(2) == 0 {
			trueBytes = trueBytes / block * block
		}
		card := oldCard(t, cardlab.Traits{TrueSizeBytes: trueBytes, Beyond: cardlab.Wrap})
		if flashedSound(t, card, image, freeing(image, free...)) {
			sound++
			for i := 0; i <= last; i++ {
				from, to := i*block, min(len(image), (i+1)*block)
				if !slices.Contains(free, i) && !bytes.Equal(readBack(t, card, from, to), image[from:to]) {
					t.Errorf("%d bytes, true size %d, free %v: called sound, and block %d is lost", len(image), trueBytes, free, i)
				}
			}
		}
	}
	t.Logf("cards: %d, of which sound: %d", rounds, sound)
}

// flashedSound writes and proves in the order of a job.
func flashedSound(t *testing.T, card *cardlab.Card, image []byte, m *flash.Manifest) bool {
	t.Helper()
	put(t, card, make([]byte, mib), 0)
	putBody(t, card, image, m)
	p := verify.NewProver(card, m, &flash.Meter{})
	must(t, p.Body(t.Context()))
	if !p.Sound() {
		return false
	}
	put(t, card, image[:block], 0)
	must(t, p.Head(t.Context()))
	return p.Sound()
}

func readBack(t *testing.T, card flash.Card, from, to int) []byte {
	t.Helper()
	buffer := flash.AlignedBuffer((to - from + 511) / 512 * 512)
	_, err := card.ReadAt(buffer, int64(from))
	must(t, err)
	return buffer[:to-from]
}

// The block that shares the head's place is zeros, and what comes after it stands where nothing was written.
func TestBlockThatSharesTheHeadsPlaceIsFoundAmongFreeOnes(t *testing.T) {
	for name, c := range map[string]struct {
		trueBytes int64
		zeros     int
		lastBytes int
		free      []int
	}{
		"the block itself":        {4 * block, 4, block, []int{3, 5, 6}},
		"its neighbour":           {4*block + block/2, 5, 700, []int{1, 2, 3, 4, 6}},
		"both":                    {4*block + block/2, 4, 700, []int{1, 2, 3, 6}},
		"the block before a rest": {5*block - 512, 4, 512, []int{1, 2, 5, 6}},
	} {
		image := randomImage(7*block + c.lastBytes)
		clear(image[c.zeros*block : (c.zeros+1)*block])
		if c.zeros == 4 {
			clear(image[5*block : 6*block])
		}
		card := oldCard(t, cardlab.Traits{TrueSizeBytes: c.trueBytes, Beyond: cardlab.Wrap})
		if flashedSound(t, card, image, freeing(image, c.free...)) {
			t.Errorf("%s: nothing was found", name)
		}
		if !flashedSound(t, oldCard(t, cardlab.Traits{}), image, freeing(image, c.free...)) {
			t.Errorf("%s: a card of full size was called damaged", name)
		}
	}
}
