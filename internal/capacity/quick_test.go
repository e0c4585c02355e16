package capacity_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"testing"

	"cardwright/flash"
	"cardwright/internal/capacity"
	"cardwright/internal/cardlab"
)

const mib = 1 << 20

func newCard(t *testing.T, traits cardlab.Traits) *cardlab.Card {
	t.Helper()
	card, err := cardlab.New(traits)
	if err != nil {
		t.Fatal(err)
	}
	return card
}

// options keep rescues in a folder of the test's own.
func options(t *testing.T, card flash.Card) capacity.Options {
	t.Helper()
	return capacity.Options{Folder: t.TempDir(), Card: capacity.Mark{SizeBytes: card.SizeBytes()}}
}

// touched are the places where a check may have changed what the card holds.
func contentOf(card *cardlab.Card) flash.Digest {
	truth := card.Truth()
	return truth.Digest(0, truth.SizeBytes())
}

// expectShort checks a card of less than it states, and that it holds afterwards what it held before.
func expectShort(t *testing.T, traits cardlab.Traits) {
	t.Helper()
	traits.OldContent = true
	card := newCard(t, traits)
	before := contentOf(card)
	o := options(t, card)
	got, err := capacity.Quick(t.Context(), card, o)
	if err != nil {
		t.Fatalf("%+v: %v", traits, err)
	}
	if got.Verdict != capacity.Short || got.TrueBytes == nil || *got.TrueBytes != traits.TrueSizeBytes {
		t.Errorf("%+v: %s, %s", traits, got.Verdict, inBytes(got.TrueBytes))
		return
	}
	if got.Restored == nil || !*got.Restored || contentOf(card) != before {
		t.Errorf("%+v: what the card held is not back", traits)
	}
	kind := map[cardlab.Beyond]capacity.Kind{
		cardlab.Wrap: capacity.Wrapped, cardlab.Drop: capacity.Dropped, cardlab.Refuse: capacity.Unreadable,
	}[traits.Beyond]
	want := capacity.Range{OffsetBytes: traits.TrueSizeBytes, LengthBytes: traits.SizeBytes - traits.TrueSizeBytes, Kind: kind, FromBytes: -1}
	if len(got.BadRanges) == 1 && kind == capacity.Wrapped {
		want.FromBytes = got.BadRanges[0].FromBytes / traits.TrueSizeBytes * traits.TrueSizeBytes
	}
	if len(got.BadRanges) != 1 || got.BadRanges[0] != want {
		t.Errorf("%+v: bad ranges %+v", traits, got.BadRanges)
	}
	expectNoFiles(t, o.Folder)
}

func expectNoFiles(t *testing.T, folder string) {
	t.Helper()
	if left, err := os.ReadDir(folder); err != nil || len(left) > 0 {
		t.Errorf("files are left: %v, %v", left, err)
	}
}

func inBytes(size *int64) string {
	if size == nil {
		return "of unknown size"
	}
	return fmt.Sprintf("%d bytes", *size)
}

var beyonds = map[string]cardlab.Beyond{"Wrap": cardlab.Wrap, "Drop": cardlab.Drop, "Refuse": cardlab.Refuse}

func TestQuickFindsTheTrueSizeToTheSector(t *testing.T) {
	for name, beyond := range beyonds {
		t.Run(name, func(t *testing.T) {
			for _, sectorBytes := range []int64{512, 4096} {
				const sizeBytes = 96 * mib
				for _, trueBytes := range []int64{sizeBytes / 2, sizeBytes / 3, sizeBytes * 7 / 8, sizeBytes - sectorBytes, sectorBytes} {
					expectShort(t, cardlab.Traits{
						SizeBytes: sizeBytes, TrueSizeBytes: trueBytes, Beyond: beyond, SectorBytes: int(sectorBytes),
					})
				}
			}
		})
	}
}

// TestQuickFindsAnyTrueSize tries sizes that nobody chose.
func TestQuickFindsAnyTrueSize(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	count := 150
	if testing.Short() {
		count = 30
	}
	for name, beyond := range beyonds {
		t.Run(name, func(t *testing.T) {
			for i := range count {
				sectorBytes := int64(512) << (3 * (i % 2))
				sectors := 2 + random.Int64N(8*mib/sectorBytes)
				traits := cardlab.Traits{
					SizeBytes: sectors * sectorBytes, TrueSizeBytes: (1 + random.Int64N(sectors-1)) * sectorBytes,
					SectorBytes: int(sectorBytes), Beyond: beyond, Seed: random.Uint64(),
				}
				expectShort(t, traits)
			}
		})
	}
}
