package cardlab_test

import (
	"bytes"
	"errors"
	"slices"
	"syscall"
	"testing"

	"cardwright/flash"
	"cardwright/internal/cardlab"
)

// A discard leaves what the card's traits say in its own range, and nothing anywhere else.
func TestDiscardForgetsItsRangeAlone(t *testing.T) {
	const from, length = 64 << 10, 96 << 10
	for _, discards := range []cardlab.Discards{cardlab.DiscardZeros, cardlab.DiscardNoise} {
		card, err := cardlab.New(cardlab.Traits{SizeBytes: 1 << 20, OldContent: true, Seed: 5, Discards: discards})
		if err != nil {
			t.Fatal(err)
		}
		before := card.Truth().Read(0, 1<<20)
		if err := card.Discard(from, length); err != nil {
			t.Fatal(err)
		}
		after := card.Truth().Read(0, 1<<20)
		if !bytes.Equal(before[:from], after[:from]) || !bytes.Equal(before[from+length:], after[from+length:]) {
			t.Errorf("%d: something beside the range changed", discards)
		}
		zeros := bytes.Equal(after[from:from+length], make([]byte, length))
		if zeros != (discards == cardlab.DiscardZeros) || bytes.Equal(before[from:from+length], after[from:from+length]) {
			t.Errorf("%d: the range holds %x", discards, after[from:from+8])
		}
		if want := []cardlab.Span{{OffsetBytes: from, LengthBytes: length}}; !slices.Equal(card.Truth().Asked(), want) || len(card.Truth().Written()) != 0 {
			t.Errorf("asked %v, written %v", card.Truth().Asked(), card.Truth().Written())
		}
		for _, span := range [][2]int64{{-512, 512}, {100, 512}, {512, 100}, {1 << 20, 512}, {0, 2 << 20}} {
			if err := card.Discard(span[0], span[1]); !errors.Is(err, syscall.EINVAL) {
				t.Errorf("%v: %v", span, err)
			}
		}
		card.Inject(func(cardlab.Op) cardlab.Fault { return cardlab.FaultGone })
		if err := card.Discard(0, 512); !errors.Is(err, flash.ErrGone) {
			t.Error(err)
		}
	}
	card, err := cardlab.New(cardlab.Traits{SizeBytes: 1 << 20})
	if err != nil {
		t.Fatal(err)
	}
	if err := card.Discard(0, 512); !errors.Is(err, flash.ErrNoDiscard) {
		t.Error(err)
	}
}
