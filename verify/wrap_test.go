package verify_test

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/verify"
)

// proveTwice proves a card and shows the prover the image once more where it asks for it.
func proveTwice(t *testing.T, card flash.Card, image []byte) *verify.Proof {
	t.Helper()
	p := verify.NewProver(card, manifestOf(image), &flash.Meter{})
	must(t, p.Whole(t.Context()))
	if p.Unexplained() {
		must(t, p.LookAgain(t.Context(), bytes.NewReader(image)))
	}
	return p.Proof(true)
}

// A card that wraps within a block, at any sector, gives its true size to the sector. The truth is the emulated card's.
func TestWrapWithinABlockGivesTheTrueSizeToTheSector(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	const length = 5*block + 700
	image := randomImage(length)
	sizes := []int64{length / 512 * 512, block + 512, 4*block - 512, 4*block + 512, 2*block + block/2}
	for range 12 {
		sizes = append(sizes, 512*(block/512+random.Int64N((length-block)/512)))
	}
	for _, trueBytes := range sizes {
		card := cardHolding(t, image, cardlab.Traits{SizeBytes: 64 * mib, TrueSizeBytes: trueBytes, Beyond: cardlab.Wrap})
		proof := proveTwice(t, card, image)
		if proof.TrueSizeBytes == nil || *proof.TrueSizeBytes != trueBytes {
			t.Errorf("true size %d: %+v", trueBytes, proof)
		}
		if want := wrapped(length, trueBytes); length < 2*trueBytes && cmp.Diff(want, proof.Damage) != "" {
			t.Errorf("true size %d: damage (-want +got):\n%s", trueBytes, cmp.Diff(want, proof.Damage))
		}
	}
	t.Logf("true sizes found: %d", len(sizes))
}

// wrapped is the damage of an image that went once around a card and a part of the way again: that part of its beginning
// holds what came last, the last block of it in part.
func wrapped(imageBytes, trueBytes int64) (want []verify.Damage) {
	over := (imageBytes - trueBytes + 511) / 512 * 512
	whole := over / block * block
	if whole > 0 {
		want = append(want, displaced(0, whole, trueBytes))
	}
	if over > whole {
		want = append(want, damage(whole, block, verify.KindChanged))
	}
	return want
}

// Damage that looks like a wrap at first sight is none where something else speaks against it.
func TestDisplacedContentAloneMakesNoTrueSize(t *testing.T) {
	image := randomImage(8 * block)
	for name, spoil := range map[string]func(*testing.T, flash.Card){
		"a block also stands at another place":              moved(image, 6*block, 2*block, block),
		"a sector also stands at another place":             moved(image, 6*block+4096, 2*block+512, 512),
		"the first and the last block are swapped":          both(moved(image, 7*block, 0, block), moved(image, 0, 7*block, block)),
		"two blocks' halves are swapped":                    both(moved(image, 5*block, block+block/2, block/2), moved(image, block+block/2, 5*block, block/2)),
		"a block is shifted by one sector within itself":    moved(image, 3*block, 3*block+512, block-512),
		"one sector was written to two places it is not of": both(moved(image, 7*block, block, 512), moved(image, 7*block, 2*block, 512)),
	} {
		card := cardHolding(t, image, cardlab.Traits{SizeBytes: 64 * mib})
		spoil(t, card)
		if proof := proveTwice(t, card, image); proof.TrueSizeBytes != nil || len(proof.Damage) == 0 {
			t.Errorf("%s: true size %v, %+v", name, proof.TrueSizeBytes, proof.Damage)
		}
	}
}

// A board copies files within the file system that the image brought: a seeded few of its extents stand in other places too, and
// some sectors of its tables have changed. However empty the rest is, that is no wrap.
func TestCopiesOnACardInUseMakeNoTrueSize(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	const length = 6 * block
	content := randomImage(length)
	random512 := func(below int64) int64 { return 512 * random.Int64N(below/512) }
	told := 0
	for range 24 {
		image := make([]byte, length)
		copy(image, content[:4096])
		var extents [][2]int64 // from, to
		for range 1 + random.IntN(3) {
			size := 512 + random512(2*block)
			from := 4096 + random512(length-size-4096)
			copy(image[from:from+size], content[from:]) // content that is of this place alone
			extents = append(extents, [2]int64{from, from + size})
		}
		card := cardHolding(t, image, cardlab.Traits{SizeBytes: 64 * mib})
		copied := extents[random.IntN(len(extents))]
		to := 4096 + random512(length-4096-(copied[1]-copied[0]))
		moved(image, copied[0], to, copied[1]-copied[0])(t, card)
		flip(image, int(512+random512(3072)))(t, card) // an entry in a table
		proof := proveTwice(t, card, image)
		if to < copied[0] && to >= block { // written behind the head and before its original: what a wrap looks like, too
			continue
		}
		told++
		if proof.TrueSizeBytes != nil {
			t.Errorf("%v copied from %d to %d: a true size of %d was made up", extents, copied[0], to, *proof.TrueSizeBytes)
		}
	}
	t.Logf("copies told from wraps: %d", told)
	if told < 5 {
		t.Errorf("only %d copies were such as can be told from a wrap", told)
	}
}

// An image that repeats itself at just the distance of the wrap leaves sound blocks on the card; its size is told all the same.
func TestWrapOfAnImageThatRepeatsItself(t *testing.T) {
	image := randomImage(10 * block)
	copy(image[6*block:9*block], image[block:4*block]) // as two slots of one system do
	card := cardHolding(t, image, cardlab.Traits{SizeBytes: 64 * mib, TrueSizeBytes: 5 * block, Beyond: cardlab.Wrap})
	if proof := proveTwice(t, card, image); proof.TrueSizeBytes == nil || *proof.TrueSizeBytes != 5*block {
		t.Errorf("%+v", proof)
	}
}

// What a second look finds is displaced; a block that is partly right, or that holds content of two distances, is only changed.
func TestSecondLookNamesWhereContentComesFrom(t *testing.T) {
	image := randomImage(6 * block)
	card := cardHolding(t, image, cardlab.Traits{SizeBytes: 64 * mib})
	put(t, card, image[4*block+1536:5*block+1536], block)     // the whole block, from within others
	put(t, card, image[4*block+block/2:5*block], 2*block)     // the first half alone
	put(t, card, image[5*block:5*block+block/2], 3*block)     // the first half from one place,
	put(t, card, image[block:block+block/2], 3*block+block/2) // the second from another
	proof := proveTwice(t, card, image)
	if len(proof.Damage) != 2 || proof.Damage[0].Kind != verify.KindDisplaced || *proof.Damage[0].FromBytes != 4*block+1536 ||
		proof.Damage[1].Kind != verify.KindChanged || proof.Damage[1].LengthBytes != 2*block {
		t.Errorf("%+v", proof.Damage)
	}
}

// An image that changed between the two looks, or that ends early, explains nothing, and takes nothing away.
func TestSecondLookAtAnotherImageChangesNothing(t *testing.T) {
	image := randomImage(4 * block)
	card := cardHolding(t, image, cardlab.Traits{SizeBytes: 64 * mib, TrueSizeBytes: 3*block - 512, Beyond: cardlab.Wrap})
	other := bytes.Clone(image)
	other[3*block+9] ^= 1
	for name, c := range map[string]struct {
		image []byte
		want  error
	}{
		"changed": {other, verify.ErrOtherImage}, "cut short": {image[:3*block+9], verify.ErrOtherImage},
		"empty": {nil, verify.ErrOtherImage}, "longer": {append(bytes.Clone(image), 0), verify.ErrOtherImage},
	} {
		p := verify.NewProver(card, manifestOf(image), &flash.Meter{})
		must(t, p.Whole(t.Context()))
		before := p.Proof(true)
		if err := p.LookAgain(t.Context(), bytes.NewReader(c.image)); !errors.Is(err, c.want) {
			t.Errorf("%s: %v", name, err)
		}
		if after := p.Proof(true); after.TrueSizeBytes != nil || len(after.Damage) != len(before.Damage) || after.Damage[0].Kind != verify.KindChanged {
			t.Errorf("%s: %+v", name, after)
		}
	}
}

// A sound card is not looked at twice, nor is one whose damage is understood.
func TestSecondLookIsTakenOnlyWhereItMayTell(t *testing.T) {
	image := randomImage(4 * block)
	for name, c := range map[string]struct {
		spoil func(*testing.T, flash.Card)
		want  bool
	}{
		"sound":             {func(*testing.T, flash.Card) {}, false},
		"zeros":             {fill(block, block, 0), false},
		"a displaced block": {moved(image, 3*block, block, block), false},
		"a flipped bit":     {flip(image, block+5), true},
	} {
		card := cardHolding(t, image, cardlab.Traits{SizeBytes: 64 * mib})
		c.spoil(t, card)
		p := verify.NewProver(card, manifestOf(image), &flash.Meter{})
		must(t, p.Whole(t.Context()))
		if p.Unexplained() != c.want {
			t.Errorf("%s: a second look may tell more: %v", name, p.Unexplained())
		}
	}
}
