package capacity_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"cardwright/flash"
	"cardwright/internal/capacity"
	"cardwright/internal/cardlab"
)

// newLabCard makes an emulated card.
func newLabCard(t testing.TB, traits cardlab.Traits) *cardlab.Card {
	t.Helper()
	card, err := cardlab.New(traits)
	if err != nil {
		t.Fatal(err)
	}
	return card
}

// checkFull runs a full check that must come to an end.
func checkFull(t testing.TB, card flash.Card, o capacity.Options) *capacity.Result {
	t.Helper()
	result, err := capacity.Full(t.Context(), card, o)
	if err != nil {
		t.Fatalf("the check ended with %v", err)
	}
	return result
}

// expectVerdict compares a verdict and a true size, -1 for none, with the truth.
func expectVerdict(t testing.TB, r *capacity.Result, verdict capacity.Verdict, trueBytes int64) {
	t.Helper()
	got := int64(-1)
	if r.TrueBytes != nil {
		got = *r.TrueBytes
	}
	if r.Verdict != verdict || got != trueBytes {
		t.Errorf("got %q and %d bytes; want %q and %d; ranges %v", r.Verdict, got, verdict, trueBytes, r.BadRanges)
	}
}

// expectRanges compares bad ranges with the truth.
func expectRanges(t testing.TB, r *capacity.Result, want ...capacity.Range) {
	t.Helper()
	if want == nil {
		want = []capacity.Range{}
	}
	if !slices.Equal(r.BadRanges, want) || r.RangesLeftOut != 0 {
		t.Errorf("got ranges %v and %d more; want %v", r.BadRanges, r.RangesLeftOut, want)
	}
}

// rangesOf is where a card that lies in such a way is bad.
func rangesOf(sizeBytes, trueBytes int64, beyond cardlab.Beyond) capacity.Range {
	switch beyond {
	case cardlab.Drop:
		return capacity.Range{OffsetBytes: trueBytes, LengthBytes: sizeBytes - trueBytes, Kind: capacity.Dropped, FromBytes: -1}
	case cardlab.Refuse:
		return capacity.Range{OffsetBytes: trueBytes, LengthBytes: sizeBytes - trueBytes, Kind: capacity.Unwritable, FromBytes: -1}
	case cardlab.Wrap:
	}
	// The last true bytes were written last: all below holds what went to a place some true sizes further on.
	return capacity.Range{
		LengthBytes: sizeBytes - trueBytes, Kind: capacity.Wrapped, FromBytes: (sizeBytes - 1) / trueBytes * trueBytes,
	}
}

func TestFullFindsTrueSizeToTheSector(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	for _, beyond := range []cardlab.Beyond{cardlab.Wrap, cardlab.Drop, cardlab.Refuse} {
		for _, sector := range []int64{512, 4096} {
			sectors := 17*mib/sector + 5
			truths := []int64{sectors / 2, sectors / 3, sectors * 7 / 8, sectors - 1, 1 + sectors/1000}
			truths = append(truths, 1+random.Int64N(sectors-1))
			for _, truth := range truths {
				t.Run(fmt.Sprintf("%d/%d/%d", beyond, sector, truth), func(t *testing.T) {
					t.Parallel()
					size, trueBytes := sectors*sector, truth*sector
					card := newLabCard(t, cardlab.Traits{
						SizeBytes: size, TrueSizeBytes: trueBytes, Beyond: beyond, SectorBytes: int(sector), OldContent: truth%2 == 0,
					})
					r := checkFull(t, card, capacity.Options{})
					expectVerdict(t, r, capacity.Short, trueBytes)
					expectRanges(t, r, rangesOf(size, trueBytes, beyond))
				})
			}
		}
	}
}

// TestFullOutlastsACardsMemory has cards that answer for what was just written out of a memory of their own.
func TestFullOutlastsACardsMemory(t *testing.T) {
	t.Parallel()
	const size, memory = 17 * mib, 2 * mib
	for _, beyond := range []cardlab.Beyond{cardlab.Wrap, cardlab.Drop, cardlab.Refuse} {
		for _, truth := range []int64{size / 2, size - 512, size - memory, size - memory - 512, size - 3*mib, size} {
			card := newLabCard(t, cardlab.Traits{SizeBytes: size, TrueSizeBytes: truth, Beyond: beyond, MemoryBytes: memory})
			r := checkFull(t, card, capacity.Options{})
			if truth == size {
				expectVerdict(t, r, capacity.True, size)
				continue
			}
			expectVerdict(t, r, capacity.Short, truth)
			expectRanges(t, r, rangesOf(size, truth, beyond))
		}
	}
}

func TestFullRaisesNoFalseAlarm(t *testing.T) {
	t.Parallel()
	for _, traits := range []cardlab.Traits{
		{SizeBytes: 512},
		{SizeBytes: 3 * 512},
		{SizeBytes: 4096, SectorBytes: 4096},
		{SizeBytes: flash.BlockBytes},
		{SizeBytes: flash.BlockBytes + 512, OldContent: true},
		{SizeBytes: 32 * mib, OldContent: true, SectorBytes: 4096},
	} {
		card := newLabCard(t, traits)
		r := checkFull(t, card, capacity.Options{})
		expectVerdict(t, r, capacity.True, traits.SizeBytes)
		expectRanges(t, r)
		truth := card.Truth()
		for _, at := range []int64{0, traits.SizeBytes - min(mib, traits.SizeBytes)} {
			for _, b := range truth.Read(at, int(min(mib, traits.SizeBytes))) {
				if b != 0 {
					t.Fatalf("a card of %d bytes is not zeroed in the MiB at %d", traits.SizeBytes, at)
				}
			}
		}
	}
}

func TestFullTellsKindsApart(t *testing.T) {
	const size = 24 * mib
	flip := func(at int64, onRead bool) cardlab.Flip { return cardlab.Flip{OffsetBytes: at, OnRead: onRead} }
	bad := func(at, length int64, read, write bool) cardlab.BadRange {
		return cardlab.BadRange{Span: cardlab.Span{OffsetBytes: at, LengthBytes: length}, Read: read, Write: write}
	}
	found := func(at, length int64, kind capacity.Kind) capacity.Range {
		return capacity.Range{OffsetBytes: at, LengthBytes: length, Kind: kind, FromBytes: -1}
	}
	for name, c := range map[string]struct {
		traits cardlab.Traits
		want   []capacity.Range
	}{
		"flips": {
			cardlab.Traits{Flips: []cardlab.Flip{flip(0, false), flip(9*mib+24, true), flip(size-1, false)}},
			[]capacity.Range{
				found(0, 512, capacity.Changed), found(9*mib, 512, capacity.Changed), found(size-512, 512, capacity.Changed),
			},
		},
		"unstable": {
			cardlab.Traits{Unstable: []cardlab.Span{{OffsetBytes: 5 * mib, LengthBytes: 3 * mib}}},
			[]capacity.Range{found(5*mib, 3*mib, capacity.Changed)},
		},
		"unreadable": {
			cardlab.Traits{Bad: []cardlab.BadRange{bad(0, 512, true, false), bad(5*mib+512, 1024, true, false)}},
			[]capacity.Range{found(0, 512, capacity.Unreadable), found(5*mib+512, 1024, capacity.Unreadable)},
		},
		"unwritable": {
			cardlab.Traits{Bad: []cardlab.BadRange{bad(7*mib, 512, false, true), bad(15*mib, 3*mib, false, true)}},
			[]capacity.Range{found(7*mib, 512, capacity.Unwritable), found(15*mib, 3*mib, capacity.Unwritable)},
		},
		"unwritable in several places of a block": {
			cardlab.Traits{Bad: []cardlab.BadRange{
				bad(8*mib+512, 512, false, true), bad(9*mib, 2048, false, true), bad(12*mib-512, 512, false, true),
			}},
			[]capacity.Range{
				found(8*mib+512, 512, capacity.Unwritable), found(9*mib, 2048, capacity.Unwritable),
				found(12*mib-512, 512, capacity.Unwritable),
			},
		},
		"short and damaged": {
			cardlab.Traits{TrueSizeBytes: 16 * mib, Beyond: cardlab.Drop, Flips: []cardlab.Flip{flip(3*mib, false)}},
			[]capacity.Range{found(3*mib, 512, capacity.Changed), found(16*mib, 8*mib, capacity.Dropped)},
		},
		"wraps and damaged": {
			cardlab.Traits{TrueSizeBytes: 16*mib + 512, Bad: []cardlab.BadRange{bad(mib, 512, true, false)}},
			[]capacity.Range{
				{OffsetBytes: 0, LengthBytes: mib, Kind: capacity.Wrapped, FromBytes: 16*mib + 512},
				found(mib, 512, capacity.Unreadable),
				{OffsetBytes: mib + 512, LengthBytes: 7*mib - 1024, Kind: capacity.Wrapped, FromBytes: 17*mib + 1024},
			},
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c.traits.SizeBytes = size
			r := checkFull(t, newLabCard(t, c.traits), capacity.Options{})
			expectVerdict(t, r, capacity.Unreliable, -1)
			expectRanges(t, r, c.want...)
		})
	}
}

// TestFullTellsForgettingFromEnding has cards that stop taking writes while they are checked, in silence or not. They look like cards
// that end there.
func TestFullTellsForgettingFromEnding(t *testing.T) {
	t.Parallel()
	for name, traits := range map[string]cardlab.Traits{
		"forgets, of zeros":       {ReadOnlyDrops: true},
		"forgets, of old content": {ReadOnlyDrops: true, OldContent: true},
		"refuses":                 {},
	} {
		traits.SizeBytes, traits.ReadOnlyAfterBytes = 48*mib, 20*mib+512
		r := checkFull(t, newLabCard(t, traits), capacity.Options{})
		if r.Verdict != capacity.Unreliable || r.TrueBytes != nil {
			t.Errorf("%s: got %q, %v", name, r.Verdict, r.BadRanges)
		}
	}
}

// TestFullSeesAnEarlierRun lets a card go read-only in silence over the stamps of an earlier check, made of the same seed.
func TestFullSeesAnEarlierRun(t *testing.T) {
	t.Parallel()
	const size = 24 * mib
	for _, seed := range []string{"one", "another"} {
		card := newLabCard(t, cardlab.Traits{SizeBytes: size, ReadOnlyAfterBytes: size + size/4 + 2*mib + 8*mib, ReadOnlyDrops: true})
		expectVerdict(t, checkFull(t, card, capacity.Options{Seed: "one"}), capacity.True, size)
		r := checkFull(t, card, capacity.Options{Seed: seed})
		expectVerdict(t, r, capacity.Unreliable, -1)
		expectRanges(t, r,
			capacity.Range{OffsetBytes: 8 * mib, LengthBytes: 15 * mib, Kind: capacity.Stale, FromBytes: -1},
			capacity.Range{OffsetBytes: 23 * mib, LengthBytes: mib, Kind: capacity.Dropped, FromBytes: -1},
		)
	}
}

// TestFullJudgesRandomCards has cards that are short or not and damaged or not, and knows what they are.
func TestFullJudgesRandomCards(t *testing.T) {
	t.Parallel()
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 2))
	cards := 30
	if testing.Short() {
		cards = 10
	}
	for range cards {
		sectors := 8192 + random.Int64N(4096)
		truth := sectors
		if random.IntN(2) == 0 {
			truth = 4096 + random.Int64N(sectors-4096)
		}
		traits := cardlab.Traits{
			SizeBytes: 512 * sectors, TrueSizeBytes: 512 * truth, Beyond: cardlab.Beyond(random.IntN(3)), OldContent: true,
			Seed: random.Uint64(),
		}
		want, wantBytes := capacity.True, traits.SizeBytes
		if truth < sectors {
			want, wantBytes = capacity.Short, traits.TrueSizeBytes
		}
		span := cardlab.Span{OffsetBytes: 512 * random.Int64N(truth-1), LengthBytes: 512} // never at the end: that could be a size
		damage := random.IntN(8)
		switch damage {
		case 0:
			traits.Flips = []cardlab.Flip{{OffsetBytes: span.OffsetBytes + 7, OnRead: true, Mask: 0x40}}
		case 1:
			traits.Bad = []cardlab.BadRange{{Span: span, Read: true}}
		case 2:
			traits.Bad = []cardlab.BadRange{{Span: span, Write: true}}
		case 3:
			traits.Unstable = []cardlab.Span{span}
		}
		if damage < 4 {
			want, wantBytes = capacity.Unreliable, -1
		}
		r := checkFull(t, newLabCard(t, traits), capacity.Options{})
		if expectVerdict(t, r, want, wantBytes); t.Failed() {
			t.Fatalf("%+v", traits)
		}
	}
}

func TestFullTellsAWriteProtectedCard(t *testing.T) {
	card := newLabCard(t, cardlab.Traits{SizeBytes: 12 * mib})
	card.Inject(cardlab.FailAt(0, cardlab.FaultReadOnly))
	if r, err := capacity.Full(t.Context(), card, capacity.Options{}); !errors.Is(err, flash.ErrReadOnly) || r.Verdict != "" {
		t.Errorf("got %+v and %v", r, err)
	}
}

// TestFullListsSomeRangesAndCountsTheRest has far more bad places than are listed.
func TestFullListsSomeRangesAndCountsTheRest(t *testing.T) {
	t.Parallel()
	var flips []cardlab.Flip
	for i := range int64(1000) {
		flips = append(flips, cardlab.Flip{OffsetBytes: i * 8192})
	}
	r := checkFull(t, newLabCard(t, cardlab.Traits{SizeBytes: 12 * mib, Flips: flips}), capacity.Options{})
	expectVerdict(t, r, capacity.Unreliable, -1)
	if len(r.BadRanges) != capacity.MostRanges || r.RangesLeftOut != 1000-capacity.MostRanges {
		t.Errorf("%d listed, %d counted", len(r.BadRanges), r.RangesLeftOut)
	}
}

// TestFullAsksARefusingCardSeldom counts calls: each that fails may take a reader half a minute.
func TestFullAsksARefusingCardSeldom(t *testing.T) {
	const size, truth = 512 * mib, 9*mib + 512
	card := newLabCard(t, cardlab.Traits{SizeBytes: size, TrueSizeBytes: truth, Beyond: cardlab.Refuse})
	r := checkFull(t, card, capacity.Options{})
	expectVerdict(t, r, capacity.Short, truth)
	if asked := card.Counts().Operations; asked > 180 {
		t.Errorf("%d calls for a card that holds three blocks", asked)
	}
}

// TestFullGoesOnBehindAGap has a gap of many blocks that cannot be written, and sound places behind it.
func TestFullGoesOnBehindAGap(t *testing.T) {
	t.Parallel()
	const size = 200 * mib
	card := newLabCard(t, cardlab.Traits{SizeBytes: size, Bad: []cardlab.BadRange{
		{Span: cardlab.Span{OffsetBytes: 8 * mib, LengthBytes: 100*mib + 512}, Write: true, Read: true},
	}})
	r := checkFull(t, card, capacity.Options{})
	expectVerdict(t, r, capacity.Unreliable, -1)
	expectRanges(t, r, capacity.Range{OffsetBytes: 8 * mib, LengthBytes: 100*mib + 512, Kind: capacity.Unwritable, FromBytes: -1})
}

func TestFullEndsWithACardThatVanishes(t *testing.T) {
	for _, after := range []cardlab.After{{WrittenBytes: 9*mib + 512}, {ReadBytes: 9*mib + 512}} {
		card := newLabCard(t, cardlab.Traits{SizeBytes: 24 * mib, GoneAfter: after})
		r, err := capacity.Full(t.Context(), card, capacity.Options{Folder: t.TempDir()})
		var failed *flash.Error
		if !errors.As(err, &failed) || !errors.Is(err, flash.ErrGone) || r == nil || r.Verdict != "" || r.TrueBytes != nil {
			t.Errorf("%+v: got %+v and %v", after, r, err)
		}
	}
}

func TestFullRefusesACardThatHoldsNothing(t *testing.T) {
	tiny := sizedCard{newLabCard(t, cardlab.Traits{SizeBytes: mib}), 511}
	if r, err := capacity.Full(t.Context(), tiny, capacity.Options{}); err == nil || r.Verdict != "" {
		t.Errorf("got %+v and %v", r, err)
	}
}

// A sizedCard states another size.
type sizedCard struct {
	*cardlab.Card
	sizeBytes int64
}

func (c sizedCard) SizeBytes() int64 { return c.sizeBytes }
