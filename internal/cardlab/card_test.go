package cardlab_test

import (
	"testing"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/internal/cardlab/conform"
)

func TestCardConforms(t *testing.T) {
	for name, traits := range map[string]cardlab.Traits{
		"Plain":            {SizeBytes: 9<<20 + 512},
		"LargeSectors":     {SizeBytes: 9<<20 + 4096, SectorBytes: 4096},
		"FullOfOldContent": {SizeBytes: 9 << 20, OldContent: true, Seed: 5},
		"Lying":            {SizeBytes: 9 << 20, LyingFlushBytes: 100_000},
	} {
		t.Run(name, func(t *testing.T) {
			conform.Card(t, func(t *testing.T) flash.Card { return newCard(t, traits) })
		})
	}
}

func newCard(t *testing.T, traits cardlab.Traits) *cardlab.Card {
	t.Helper()
	card, err := cardlab.New(traits)
	if err != nil {
		t.Fatal(err)
	}
	return card
}
