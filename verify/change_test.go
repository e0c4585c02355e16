package verify_test

import (
	"bytes"
	"crypto/sha256"
	"testing"

	"github.com/google/go-cmp/cmp"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/verify"
)

// A twin card keeps its fourth block where its third is.
type twin struct{ flash.Card }

func placeOfTwin(offsetBytes int64) int64 {
	if offsetBytes >= 3*block && offsetBytes < 4*block {
		return offsetBytes - block
	}
	return offsetBytes
}

func (t twin) ReadAt(b []byte, offsetBytes int64) (int, error) {
	return t.Card.ReadAt(b, placeOfTwin(offsetBytes))
}

func (t twin) WriteAt(b []byte, offsetBytes int64) (int, error) {
	return t.Card.WriteAt(b, placeOfTwin(offsetBytes))
}

// A change is proven, by digests that leave the image's manifest alone, and so is what it could have changed unseen: on a card whose
// blocks share a place, the other block that held the same.
func TestChangedBlocksAreProvenWithThoseThatWereAlike(t *testing.T) {
	image := randomImage(5 * block)
	copy(image[3*block:4*block], image[2*block:3*block])
	for _, shares := range []bool{false, true} {
		var card flash.Card = cardHolding(t, make([]byte, block), cardlab.Traits{SizeBytes: 24 * mib})
		if shares {
			card = twin{card}
		}
		put(t, card, image[block:], block)
		manifest := manifestOf(image)
		p := verify.NewProver(card, manifest, &flash.Meter{})
		if err := p.Body(t.Context()); err != nil || !p.Sound() {
			t.Fatalf("%+v, %v", p.Proof(true).Damage, err)
		}
		held, err := p.Held(t.Context(), 2)
		if err != nil || !bytes.Equal(held, image[2*block:3*block]) {
			t.Fatalf("held %d bytes, %v", len(held), err)
		}
		held[100] ^= 1
		digests := map[int]flash.Digest{2: sha256.Sum256(held)}
		put(t, card, held, 2*block)
		if err := p.Changed(t.Context(), digests); err != nil {
			t.Fatal(err)
		}
		want := []verify.Damage{}
		if shares {
			want = []verify.Damage{{OffsetBytes: 3 * block, LengthBytes: block, Kind: verify.KindChanged}}
		}
		proof := p.Proof(true)
		if diff := cmp.Diff(want, proof.Damage); diff != "" || proof.Bytes != 4*block {
			t.Errorf("shares a place: %v, %d bytes: %s", shares, proof.Bytes, diff)
		}
		if diff := cmp.Diff(manifestOf(image), manifest); diff != "" {
			t.Error("the image's manifest was changed")
		}
	}
}

// A block that is not what it was is not handed out, and one that kept what it held before the change is named as changed.
func TestChangesThatFailAreDamage(t *testing.T) {
	image := randomImage(3 * block)
	card := cardHolding(t, image, cardlab.Traits{SizeBytes: 16 * mib})
	p := verify.NewProver(card, manifestOf(image), &flash.Meter{})
	if err := p.Changed(t.Context(), map[int]flash.Digest{0: {1}, 1: {2}}); err != nil {
		t.Fatal(err)
	}
	want := []verify.Damage{{OffsetBytes: block, LengthBytes: block, Kind: verify.KindChanged}}
	if diff := cmp.Diff(want, p.Proof(true).Damage); diff != "" {
		t.Error(diff)
	}
	p = verify.NewProver(card, manifestOf(image), &flash.Meter{})
	put(t, card, []byte("other"), 2*block+mib)
	if held, err := p.Held(t.Context(), 2); held != nil || err != nil || p.Sound() {
		t.Errorf("held %d bytes, %v, sound %v", len(held), err, p.Sound())
	}
}
