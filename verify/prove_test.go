package verify_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/verify"
)

const (
	mib   = 1 << 20
	block = flash.BlockBytes
)

// randomImage is n bytes that repeat nowhere.
func randomImage(n int) []byte {
	image := make([]byte, n)
	random := rand.NewChaCha8([32]byte{1})
	_, _ = random.Read(image) // documented never to fail
	return image
}

func manifestOf(image []byte) *flash.Manifest {
	m := &flash.Manifest{}
	for len(image) > 0 {
		n := min(block, len(image))
		m.Append(image[:n])
		image = image[n:]
	}
	return m
}

// cardHolding is an emulated card onto which the image was written, block after block.
func cardHolding(t *testing.T, image []byte, traits cardlab.Traits) *cardlab.Card {
	t.Helper()
	card, err := cardlab.New(traits)
	if err != nil {
		t.Fatal(err)
	}
	put(t, card, image, 0)
	if err := card.Flush(); err != nil {
		t.Fatal(err)
	}
	return card
}

// put writes bytes to a card at a sector's start, the last sector filled up with zeros.
func put(t *testing.T, card flash.Card, image []byte, offsetBytes int64) {
	t.Helper()
	buffer := flash.AlignedBuffer(block)
	for len(image) > 0 {
		clear(buffer)
		n := copy(buffer, image)
		if _, err := card.WriteAt(buffer[:(n+511)/512*512], offsetBytes); err != nil {
			t.Fatal(err)
		}
		image, offsetBytes = image[n:], offsetBytes+int64(n)
	}
}

func prove(t *testing.T, card flash.Card, image []byte) *verify.Proof {
	t.Helper()
	proof, err := verify.Prove(t.Context(), card, manifestOf(image), true)
	if err != nil {
		t.Fatal(err)
	}
	if proof.Bytes != int64(len(image)) {
		t.Errorf("%d bytes of %d were compared", proof.Bytes, len(image))
	}
	return proof
}

func TestSoundCardHasNoDamage(t *testing.T) {
	for _, n := range []int{1, 511, 512, 513, block - 1, block, block + 1, 2*block + 1, 16 * mib} {
		image := randomImage(n)
		proof := prove(t, cardHolding(t, image, cardlab.Traits{SizeBytes: 16 * mib, OldContent: true}), image)
		if len(proof.Damage) != 0 || proof.TrueSizeBytes != nil || !proof.FromMedium || proof.BytesPerSecond <= 0 {
			t.Errorf("%d bytes: %+v", n, proof)
		}
	}
}

func damage(offsetBytes, lengthBytes int64, kind verify.Kind) verify.Damage {
	return verify.Damage{OffsetBytes: offsetBytes, LengthBytes: lengthBytes, Kind: kind}
}

func displaced(offsetBytes, lengthBytes, fromBytes int64) verify.Damage {
	return verify.Damage{OffsetBytes: offsetBytes, LengthBytes: lengthBytes, Kind: verify.KindDisplaced, FromBytes: &fromBytes}
}

// Each case spoils a card in a known way; the truth is what was done to it.
func TestDamageIsFoundWhereItIs(t *testing.T) {
	const length = 6*block + 700 // the last block is short and ends within a sector
	image := randomImage(length)
	span := func(offsetBytes, lengthBytes int64) cardlab.Span {
		return cardlab.Span{OffsetBytes: offsetBytes, LengthBytes: lengthBytes}
	}
	cases := []struct {
		name   string
		traits cardlab.Traits
		spoil  func(t *testing.T, card flash.Card)
		want   []verify.Damage
	}{
		{"one bit in the first byte", cardlab.Traits{}, flip(image, 0), []verify.Damage{damage(0, block, verify.KindChanged)}},
		{"one bit in the middle", cardlab.Traits{}, flip(image, 3*block+77), []verify.Damage{damage(3*block, block, verify.KindChanged)}},
		{"one bit in the last byte", cardlab.Traits{}, flip(image, length-1), []verify.Damage{damage(6*block, 700, verify.KindChanged)}},
		{"zeros over two blocks", cardlab.Traits{}, fill(2*block, 2*block, 0), []verify.Damage{damage(2*block, 2*block, verify.KindZeros)}},
		{"ones over one block", cardlab.Traits{}, fill(block, block, 0xFF), []verify.Damage{damage(block, block, verify.KindOnes)}},
		{"zeros over the short block", cardlab.Traits{}, fill(6*block, 1024, 0), []verify.Damage{damage(6*block, 700, verify.KindZeros)}},
		{"neighbours of two kinds", cardlab.Traits{}, both(fill(block, block, 0), fill(2*block, block, 0xFF)), []verify.Damage{
			damage(block, block, verify.KindZeros), damage(2*block, block, verify.KindOnes),
		}},
		{"two blocks swapped", cardlab.Traits{}, both(moved(image, 4*block, block, block), moved(image, block, 4*block, block)), []verify.Damage{
			displaced(block, block, 4*block), displaced(4*block, block, block),
		}},
		{"an unreadable sector", cardlab.Traits{Bad: []cardlab.BadRange{{Span: span(2*block+4096, 512), Read: true}}}, nil, []verify.Damage{
			damage(2*block, block, verify.KindUnreadable),
		}},
		{"the first block unreadable", cardlab.Traits{Bad: []cardlab.BadRange{{Span: span(0, 512), Read: true}}}, nil, []verify.Damage{
			damage(0, block, verify.KindUnreadable),
		}},
		{"a place that reads differently each time", cardlab.Traits{Unstable: []cardlab.Span{span(5*block+9, 3)}}, nil, []verify.Damage{
			damage(5*block, block, verify.KindUnstable),
		}},
		{"a bit flipped by the first read alone", cardlab.Traits{Flips: []cardlab.Flip{{OffsetBytes: block + 3, OnRead: true, Once: true}}}, nil, []verify.Damage{
			damage(block, block, verify.KindUnstable),
		}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			c.traits.SizeBytes = 32 * mib
			card := cardHolding(t, image, c.traits)
			if c.spoil != nil {
				c.spoil(t, card)
			}
			proof := prove(t, card, image)
			if diff := cmp.Diff(c.want, proof.Damage); diff != "" {
				t.Errorf("damage (-want +got):\n%s", diff)
			}
			if proof.TrueSizeBytes != nil {
				t.Errorf("a true size of %d was made up", *proof.TrueSizeBytes)
			}
		})
	}
}

func flip(image []byte, offsetBytes int) func(*testing.T, flash.Card) {
	return func(t *testing.T, card flash.Card) {
		sector := offsetBytes / 512 * 512
		spoiled := bytes.Clone(image[sector:min(sector+512, len(image))])
		spoiled[offsetBytes-sector] ^= 0x10
		put(t, card, spoiled, int64(sector))
	}
}

func fill(offsetBytes int64, n int, value byte) func(*testing.T, flash.Card) {
	return func(t *testing.T, card flash.Card) { put(t, card, bytes.Repeat([]byte{value}, n), offsetBytes) }
}

func moved(image []byte, from, to int64, n int64) func(*testing.T, flash.Card) {
	return func(t *testing.T, card flash.Card) { put(t, card, image[from:from+n], to) }
}

func both(first, second func(*testing.T, flash.Card)) func(*testing.T, flash.Card) {
	return func(t *testing.T, card flash.Card) { first(t, card); second(t, card) }
}

// A card that wraps at its true size holds, at each early place, what was written last to it.
func TestAddressWrapGivesTheTrueSize(t *testing.T) {
	for _, imageBlocks := range []int{6, 7, 9, 13} {
		image := randomImage(imageBlocks * block)
		const trueSize = 5 * block
		card := cardHolding(t, image, cardlab.Traits{SizeBytes: 64 * mib, TrueSizeBytes: trueSize, Beyond: cardlab.Wrap})
		proof := prove(t, card, image)
		if proof.TrueSizeBytes == nil || *proof.TrueSizeBytes != trueSize {
			t.Errorf("%d blocks on a card of 5: %+v", imageBlocks, proof)
		}
		for _, d := range proof.Damage {
			if d.Kind != verify.KindDisplaced || *d.FromBytes-d.OffsetBytes < trueSize {
				t.Errorf("%d blocks: %+v", imageBlocks, d)
			}
		}
		if got, want := damagedBlocks(proof), imageBlocks-5; got != want { // five places hold one block each
			t.Errorf("%d blocks: %d are told as damaged, %d are", imageBlocks, got, want)
		}
	}
}

func damagedBlocks(p *verify.Proof) (n int) {
	for _, d := range p.Damage {
		n += int(d.LengthBytes / block)
	}
	return n
}

func TestDroppedWritesReadAsZeros(t *testing.T) {
	image := randomImage(6 * block)
	card := cardHolding(t, image, cardlab.Traits{SizeBytes: 64 * mib, TrueSizeBytes: 4 * block, Beyond: cardlab.Drop})
	if diff := cmp.Diff([]verify.Damage{damage(4*block, 2*block, verify.KindZeros)}, prove(t, card, image).Damage); diff != "" {
		t.Errorf("damage (-want +got):\n%s", diff)
	}
}

// Content that occurs more than once is no witness of where it came from.
func TestRepeatedContentIsNoWitness(t *testing.T) {
	image := randomImage(5 * block)
	copy(image[4*block:], image[3*block:4*block])
	card := cardHolding(t, image, cardlab.Traits{SizeBytes: 32 * mib})
	put(t, card, image[3*block:4*block], block)
	if diff := cmp.Diff([]verify.Damage{damage(block, block, verify.KindChanged)}, prove(t, card, image).Damage); diff != "" {
		t.Errorf("damage (-want +got):\n%s", diff)
	}
}

func TestDisplacementsThatDisagreeGiveNoTrueSize(t *testing.T) {
	image := randomImage(8 * block)
	card := cardHolding(t, image, cardlab.Traits{SizeBytes: 32 * mib})
	put(t, card, image[3*block:4*block], 0)       // from 3 blocks on
	put(t, card, image[7*block:8*block], 2*block) // from 5 blocks on
	if proof := prove(t, card, image); proof.TrueSizeBytes != nil {
		t.Errorf("a true size of %d blocks was made up", *proof.TrueSizeBytes/block)
	}
}

func TestCardThatAnswersNothingIsAFailureNotDamage(t *testing.T) {
	image := randomImage(6 * block)
	for name, traits := range map[string]cardlab.Traits{
		"gone":             {GoneAfter: cardlab.After{ReadBytes: 2 * block}},
		"nothing readable": {Bad: []cardlab.BadRange{{Span: cardlab.Span{LengthBytes: 32 * mib}, Read: true}}},
	} {
		traits.SizeBytes = 32 * mib
		proof, err := verify.Prove(t.Context(), cardHolding(t, image, traits), manifestOf(image), true)
		failed, ok := errors.AsType[*flash.Error](err)
		if !ok || failed.Step != flash.StepProof || failed.OffsetBytes != proof.Bytes {
			t.Errorf("%s: %v after %d bytes", name, err, proof.Bytes)
		}
		if len(proof.Damage) != 0 {
			t.Errorf("%s: told as damage: %+v", name, proof.Damage)
		}
	}
}

func TestInterruptEndsTheProof(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	image := randomImage(6 * block)
	card := cardHolding(t, image, cardlab.Traits{SizeBytes: 32 * mib})
	reads := 0
	card.Inject(func(cardlab.Op) cardlab.Fault {
		if reads++; reads == 2 {
			cancel()
		}
		return cardlab.FaultNone
	})
	proof, err := verify.Prove(ctx, card, manifestOf(image), true)
	if !errors.Is(err, context.Canceled) || proof.Bytes != 2*block {
		t.Errorf("%v after %d bytes", err, proof.Bytes)
	}
}

// The head is written after the body was proven. On a card that wraps, a block of the body may share its place: the body's
// proof then sees it in the head's place, or the look after the head sees it lost.
func TestBlockThatSharesTheHeadsPlaceIsFound(t *testing.T) {
	sparse := randomImage(5 * block)
	clear(sparse[4*block:])
	for name, c := range map[string]struct {
		image    []byte
		trueSize int64
		before   bool // found before the head is written
	}{
		"the last block, whole":                {randomImage(5 * block), 4 * block, true},
		"the last block, half":                 {randomImage(5 * block), 4*block + block/2, true},
		"the last block, of zeros":             {sparse, 4 * block, false},
		"the last block, of zeros, by a third": {sparse, 4*block + 4096*300, false},
	} {
		t.Run(name, func(t *testing.T) {
			card, err := cardlab.New(cardlab.Traits{SizeBytes: 64 * mib, TrueSizeBytes: c.trueSize, Beyond: cardlab.Wrap})
			if err != nil {
				t.Fatal(err)
			}
			put(t, card, make([]byte, mib), 0)
			put(t, card, c.image[block:], block)
			p := verify.NewProver(card, manifestOf(c.image), &flash.Meter{})
			body := flash.AlignedBuffer(4 * block)
			if _, err := card.ReadAt(body, block); err != nil || !bytes.Equal(body, c.image[block:]) {
				t.Fatalf("the body alone shows it, the case is no test: %v", err)
			}
			must(t, p.Body(t.Context()))
			if p.Sound() == c.before {
				t.Errorf("before the head: sound is %v", p.Sound())
			}
			put(t, card, c.image[:block], 0)
			must(t, p.Head(t.Context()))
			if p.Sound() {
				t.Error("nothing was found after the head")
			}
		})
	}
}

func TestClearedHeadOnASoundCardIsNoDamage(t *testing.T) {
	for name, old := range map[string]byte{"old content": 0xA5, "zeros": 0} {
		image := randomImage(4 * block)
		clear(image[2*block : 3*block])
		card, err := cardlab.New(cardlab.Traits{SizeBytes: 64 * mib})
		if err != nil {
			t.Fatal(err)
		}
		put(t, card, bytes.Repeat([]byte{old}, block), 0)
		put(t, card, make([]byte, mib), 0)
		put(t, card, image[block:], block)
		p := verify.NewProver(card, manifestOf(image), &flash.Meter{})
		must(t, p.Body(t.Context()))
		put(t, card, image[:block], 0)
		must(t, p.Head(t.Context()))
		if !p.Sound() {
			t.Errorf("%s: %+v", name, p.Proof(true).Damage)
		}
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// Two hundred flipped bits at seeded places of seeded images, each found in its block and nowhere else.
func TestEveryFlippedBitIsFound(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	image := randomImage(block + 12345)
	for range 200 {
		at := random.IntN(len(image))
		card := cardHolding(t, image, cardlab.Traits{SizeBytes: 16 * mib, Flips: []cardlab.Flip{
			{OffsetBytes: int64(at), Mask: 1 << random.IntN(8), OnRead: true},
		}})
		proof := prove(t, card, image)
		if len(proof.Damage) != 1 || proof.Damage[0].OffsetBytes != int64(at/block*block) || proof.Damage[0].Kind != verify.KindChanged {
			t.Fatalf("byte %d: %+v", at, proof.Damage)
		}
	}
}

func ExampleProve() {
	image := bytes.Repeat([]byte("orchard "), block/8*2)
	manifest := manifestOf(image)
	card, _ := cardlab.New(cardlab.Traits{SizeBytes: 16 * mib}) // empty: it holds nothing but zeros
	proof, err := verify.Prove(context.Background(), card, manifest, true)
	fmt.Println(err, proof.Bytes, proof.Damage[0].Kind, proof.Damage[0].LengthBytes)
	// Output: <nil> 8388608 zeros 8388608
}
