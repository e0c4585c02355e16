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

// expectSame compares what the card holds with one of the same traits that nobody touched, wherever a byte was written to it.
func expectSame(t *testing.T, card *cardlab.Card) {
	t.Helper()
	twin := newCard(t, card.Traits())
	trueBytes := card.Truth().SizeBytes()
	compare := func(from, to int64) {
		if from < to && card.Truth().Digest(from, to-from) != twin.Truth().Digest(from, to-from) {
			t.Errorf("%s: %d bytes from %d on the medium are not what they were", traitsOf(card), to-from, from)
		}
	}
	for _, s := range card.Truth().Asked() {
		if s.LengthBytes >= trueBytes {
			compare(0, trueBytes)
			return
		}
		from := s.OffsetBytes % trueBytes // beyond the true size only a card that wraps round writes anything
		compare(from, min(trueBytes, from+s.LengthBytes))
		compare(0, from+s.LengthBytes-trueBytes)
	}
}

// traitsOf names a card in a failure.
func traitsOf(card *cardlab.Card) string {
	traits := card.Traits()
	return fmt.Sprintf("%d of %d bytes, sectors of %d, beyond %d, seed %d",
		traits.TrueSizeBytes, traits.SizeBytes, traits.SectorBytes, traits.Beyond, traits.Seed)
}

// expectShort checks a card of less than it states, and that it holds afterwards what it held before.
func expectShort(t *testing.T, traits cardlab.Traits) {
	t.Helper()
	traits.OldContent = true
	card := newCard(t, traits)
	o := options(t, card)
	got, err := capacity.Quick(t.Context(), card, o)
	if err != nil {
		t.Fatalf("%s: %v", traitsOf(card), err)
	}
	if got.Verdict != capacity.Short || got.TrueBytes == nil || *got.TrueBytes != traits.TrueSizeBytes {
		t.Errorf("%s: %s, %s", traitsOf(card), got.Verdict, inBytes(got.TrueBytes))
	}
	if got.Restored == nil || !*got.Restored || got.Rescue != "" {
		t.Errorf("%s: it says that not all is back: %+v", traitsOf(card), got)
	}
	expectSame(t, card)
	expectNoFiles(t, o.Folder)
	kind := map[cardlab.Beyond]capacity.Kind{
		cardlab.Wrap: capacity.Wrapped, cardlab.Drop: capacity.Dropped, cardlab.Refuse: capacity.Unreadable,
	}[traits.Beyond]
	want := capacity.Range{OffsetBytes: traits.TrueSizeBytes, LengthBytes: traits.SizeBytes - traits.TrueSizeBytes, Kind: kind, FromBytes: -1}
	if len(got.BadRanges) == 1 && kind == capacity.Wrapped { // whose stamp lies there is a matter of order; the distance is not
		want.FromBytes = max(0, got.BadRanges[0].FromBytes/traits.TrueSizeBytes*traits.TrueSizeBytes)
	}
	if len(got.BadRanges) != 1 || got.BadRanges[0] != want {
		t.Errorf("%s: bad ranges %+v", traitsOf(card), got.BadRanges)
	}
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
			t.Parallel()
			for _, c := range []struct{ sizeBytes, sectorBytes int64 }{
				{12 * mib, 512}, {6 * mib, 512}, {6 * mib, 4096}, {30 * 512, 512}, {31_914_983_424, 512}, {2_000_398_934_016, 4096},
			} {
				whole := func(bytes int64) int64 { return bytes / c.sectorBytes * c.sectorBytes }
				for _, trueBytes := range []int64{c.sizeBytes / 2, c.sizeBytes / 3, c.sizeBytes * 7 / 8, c.sizeBytes - c.sectorBytes} {
					if c.sizeBytes > 1<<30 && trueBytes != c.sizeBytes/3 {
						continue // one of these costs as much as many small ones
					}
					expectShort(t, cardlab.Traits{
						SizeBytes: c.sizeBytes, TrueSizeBytes: whole(trueBytes), Beyond: beyond, SectorBytes: int(c.sectorBytes),
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
	count := 40
	if testing.Short() {
		count = 20
	}
	for name, beyond := range beyonds {
		random := rand.New(rand.NewPCG(seed, uint64(beyond)))
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			for i := range count {
				sectorBytes := int64(512) << (3 * (i % 2))
				sectors := 2 + random.Int64N(2*mib/sectorBytes)
				if i%20 == 0 {
					sectors = 2 + random.Int64N(64<<30/sectorBytes)
				}
				expectShort(t, cardlab.Traits{
					SizeBytes: sectors * sectorBytes, TrueSizeBytes: (1 + random.Int64N(sectors-1)) * sectorBytes,
					SectorBytes: int(sectorBytes), Beyond: beyond, Seed: random.Uint64(),
				})
			}
		})
	}
}

// TestQuickSeesThroughACardsMemory lets cards answer from memory what they wrote last, wherever that went.
func TestQuickSeesThroughACardsMemory(t *testing.T) {
	const sizeBytes = 64 * mib
	for name, beyond := range map[string]cardlab.Beyond{"Wrap": cardlab.Wrap, "Drop": cardlab.Drop} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			for _, trueBytes := range []int64{sizeBytes - 512, 20*mib + 512, 512} {
				expectShort(t, cardlab.Traits{
					SizeBytes: sizeBytes, TrueSizeBytes: trueBytes, Beyond: beyond, MemoryBytes: 8 * mib,
				})
			}
		})
	}
}

// TestQuickRaisesNoFalseAlarm checks sound cards of many sizes.
func TestQuickRaisesNoFalseAlarm(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	count := 1000
	if testing.Short() {
		count = 100
	}
	const parts = 4 // side by side, as each waits for the medium of its folder
	for part := range parts {
		random := rand.New(rand.NewPCG(seed, uint64(part)))
		t.Run(fmt.Sprint(part), func(t *testing.T) {
			t.Parallel()
			for i := range count / parts {
				sectorBytes := int64(512) << random.IntN(4)
				largest := int64(mib / 2)
				if i == 0 {
					largest = 64_000_000_000
				}
				traits := cardlab.Traits{
					SizeBytes: (1 + random.Int64N(largest/sectorBytes)) * sectorBytes, SectorBytes: int(sectorBytes),
					OldContent: i%2 == 0, Seed: random.Uint64(), MemoryBytes: int64(i%3) * mib,
				}
				expectTrue(t, traits)
			}
		})
	}
}

// expectTrue checks a sound card, and that nothing changed on it.
func expectTrue(t *testing.T, traits cardlab.Traits) {
	t.Helper()
	card := newCard(t, traits)
	o := options(t, card)
	got, err := capacity.Quick(t.Context(), card, o)
	if err != nil {
		t.Fatalf("%s: %v", traitsOf(card), err)
	}
	if got.Verdict != capacity.True || got.TrueBytes == nil || *got.TrueBytes != traits.SizeBytes || len(got.BadRanges) > 0 {
		t.Errorf("%s: %+v", traitsOf(card), got)
	}
	if got.Restored == nil || !*got.Restored {
		t.Errorf("%s: it says that not all is back", traitsOf(card))
	}
	expectSame(t, card)
	expectNoFiles(t, o.Folder)
}

// A sectorCard says that its sectors are others, and that it has some bytes more.
type sectorCard struct {
	*cardlab.Card
	sectorBytes int
	moreBytes   int64
}

func (c sectorCard) SectorBytes() int { return c.sectorBytes }

func (c sectorCard) SizeBytes() int64 { return c.Card.SizeBytes() + c.moreBytes }

// TestQuickChecksRegularFiles has a file whose last sector is not whole.
func TestQuickChecksRegularFiles(t *testing.T) {
	file := sectorCard{newCard(t, cardlab.Traits{SizeBytes: mib, OldContent: true}), 1, 100}
	got, err := capacity.Quick(t.Context(), file, options(t, file))
	if err != nil || got.Verdict != capacity.True || *got.TrueBytes != mib+100 || !*got.Restored {
		t.Errorf("%+v, %v", got, err)
	}
	expectSame(t, file.Card)
	if _, err := capacity.Quick(t.Context(), sectorCard{file.Card, 1, 100 - mib}, capacity.Options{Erase: true}); err == nil {
		t.Error("a card without a whole sector was checked")
	}
}

// TestQuickMayErase keeps nothing, and finds the same.
func TestQuickMayErase(t *testing.T) {
	for name, beyond := range beyonds {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			for _, trueBytes := range []int64{512, 100 * 512, mib + 512, 3 * mib, 5*mib - 512} {
				card := newCard(t, cardlab.Traits{SizeBytes: 5 * mib, TrueSizeBytes: trueBytes, Beyond: beyond, OldContent: true})
				got, err := capacity.Quick(t.Context(), card, capacity.Options{Erase: true})
				if err != nil || got.Verdict != capacity.Short || *got.TrueBytes != trueBytes || got.Restored != nil {
					t.Errorf("%s: %+v, %v", traitsOf(card), got, err)
				}
			}
		})
	}
}
