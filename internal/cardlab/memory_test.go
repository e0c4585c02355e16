package cardlab_test

import (
	"bytes"
	"testing"

	"cardwright/internal/cardlab"
)

// TestMemoryAnswersForTheLastWrites reads what a card forgot, for as long as its memory has it.
func TestMemoryAnswersForTheLastWrites(t *testing.T) {
	const trueBytes, memoryBytes = 2 * mib, 64 << 10
	card := newCard(t, cardlab.Traits{
		SizeBytes: 4 * mib, TrueSizeBytes: trueBytes, Beyond: cardlab.Drop, MemoryBytes: memoryBytes,
	})
	first, again := noise(512, 1), noise(512, 2)
	mustWrite(t, card, first, trueBytes)
	mustWrite(t, card, again, trueBytes)
	if !bytes.Equal(mustRead(t, card, trueBytes, 512), again) {
		t.Error("the last write is not answered from memory")
	}
	mustWrite(t, card, noise(memoryBytes-512, 3), 0) // all but the last sector's worth
	if !bytes.Equal(mustRead(t, card, trueBytes, 512), again) {
		t.Error("the memory forgot too early")
	}
	mustWrite(t, card, first, mib)
	if !bytes.Equal(mustRead(t, card, trueBytes, 512), make([]byte, 512)) {
		t.Error("the memory holds more than it should")
	}
	mustWrite(t, card, first, trueBytes)
	card.Pull(1)
	card.Plug()
	if !bytes.Equal(mustRead(t, card, trueBytes, 512), make([]byte, 512)) {
		t.Error("the memory outlived the power")
	}
}

// TestMemoryHidesFlipsUntilTheyLeaveIt has the medium alone hold what a write made wrong.
func TestMemoryHidesFlipsUntilTheyLeaveIt(t *testing.T) {
	card := newCard(t, cardlab.Traits{SizeBytes: mib, MemoryBytes: 1024, Flips: []cardlab.Flip{{OffsetBytes: 3}}})
	p := noise(512, 1)
	mustWrite(t, card, p, 0)
	if !bytes.Equal(mustRead(t, card, 0, 512), p) {
		t.Error("the memory shows the flip")
	}
	mustWrite(t, card, noise(1024, 2), 4096)
	p[3] ^= 1
	if !bytes.Equal(mustRead(t, card, 0, 512), p) {
		t.Error("the medium does not")
	}
}
