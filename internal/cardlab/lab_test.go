package cardlab_test

import (
	"math/rand/v2"
	"slices"
	"testing"

	"cardwright/internal/cardlab"
	"cardwright/internal/cardlab/conform"
)

func newCard(t *testing.T, traits cardlab.Traits) *cardlab.Card {
	t.Helper()
	card, err := cardlab.New(traits)
	if err != nil {
		t.Fatal(err)
	}
	return card
}

// noise fills a buffer that a card accepts.
func noise(lengthBytes int, seed byte) []byte {
	p := conform.Buffer(lengthBytes)
	_, _ = rand.NewChaCha8([32]byte{seed}).Read(p)
	return p
}

func mustWrite(t *testing.T, card *cardlab.Card, p []byte, offsetBytes int64) {
	t.Helper()
	if n, err := card.WriteAt(p, offsetBytes); n != len(p) || err != nil {
		t.Fatalf("write of %d bytes at %d moved %d: %v", len(p), offsetBytes, n, err)
	}
}

func mustRead(t *testing.T, card *cardlab.Card, offsetBytes int64, lengthBytes int) []byte {
	t.Helper()
	p := conform.Buffer(lengthBytes)
	if n, err := card.ReadAt(p, offsetBytes); n != len(p) || err != nil {
		t.Fatalf("read of %d bytes at %d moved %d: %v", len(p), offsetBytes, n, err)
	}
	return p
}

func mustFlush(t *testing.T, card *cardlab.Card) {
	t.Helper()
	if err := card.Flush(); err != nil {
		t.Fatalf("flush: %v", err)
	}
}

func expectSpans(t *testing.T, got, want []cardlab.Span) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Errorf("spans %v; want %v", got, want)
	}
}
