package cardlab_test

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"io"
	"math/rand/v2"
	"runtime"
	"syscall"
	"testing"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/internal/cardlab/conform"
)

const mib = 1 << 20

func TestCardConforms(t *testing.T) {
	for name, traits := range map[string]cardlab.Traits{
		"Plain":            {SizeBytes: 9*mib + 512},
		"LargeSectors":     {SizeBytes: 9*mib + 4096, SectorBytes: 4096},
		"FullOfOldContent": {SizeBytes: 9 * mib, OldContent: true, Seed: 5},
		"Lying":            {SizeBytes: 9 * mib, LyingFlushBytes: 100_000},
	} {
		t.Run(name, func(t *testing.T) {
			conform.Card(t, func(t *testing.T) flash.Card { return newCard(t, traits) })
		})
	}
}

func TestNewRefusesImpossibleTraits(t *testing.T) {
	for name, traits := range map[string]cardlab.Traits{
		"no size":                  {},
		"part of a sector":         {SizeBytes: mib + 1},
		"true size above stated":   {SizeBytes: mib, TrueSizeBytes: 2 * mib},
		"true size in a sector":    {SizeBytes: mib, TrueSizeBytes: 1000},
		"sectors of 520":           {SizeBytes: 520 * 8, SectorBytes: 520},
		"sectors too large":        {SizeBytes: mib, SectorBytes: 8192},
		"unknown beyond":           {SizeBytes: mib, Beyond: 9},
		"negative memory":          {SizeBytes: mib, MemoryBytes: -1},
		"negative rate":            {SizeBytes: mib, WriteBytesPerSecond: -1},
		"negative stall":           {SizeBytes: mib, Stalls: []cardlab.Stall{{For: -1}}},
		"stall placed twice":       {SizeBytes: mib, Stalls: []cardlab.Stall{{OffsetBytes: 1, EveryBytes: 1}}},
		"stall past the end":       {SizeBytes: mib, Stalls: []cardlab.Stall{{OffsetBytes: mib}}},
		"flip past the end":        {SizeBytes: mib, Flips: []cardlab.Flip{{OffsetBytes: mib}}},
		"bad range that fails not": {SizeBytes: mib, Bad: []cardlab.BadRange{{Span: cardlab.Span{LengthBytes: 1}}}},
		"empty unstable range":     {SizeBytes: mib, Unstable: []cardlab.Span{{}}},
		"range that overflows":     {SizeBytes: mib, Unstable: []cardlab.Span{{OffsetBytes: 1, LengthBytes: 1<<63 - 1}}},
	} {
		if _, err := cardlab.New(traits); !errors.Is(err, cardlab.ErrTraits) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestCardHoldsCallersToTheTerms lets the card refuse what direct I/O on a real device refuses.
func TestCardHoldsCallersToTheTerms(t *testing.T) {
	card := newCard(t, cardlab.Traits{SizeBytes: mib})
	p := conform.Buffer(8192)
	for name, call := range map[string]struct {
		p      []byte
		offset int64
		want   error
	}{
		"part of a sector":  {p[:100], 0, syscall.EINVAL},
		"between sectors":   {p[:512], 100, syscall.EINVAL},
		"before the start":  {p[:512], -512, syscall.EINVAL},
		"a buffer off beat": {p[512:1024], 0, syscall.EINVAL},
		"past the end":      {p, mib - 512, syscall.ENOSPC},
	} {
		if n, err := card.WriteAt(call.p, call.offset); n != 0 || !errors.Is(err, call.want) {
			t.Errorf("%s: write moved %d bytes: %v", name, n, err)
		}
		want := call.want
		if errors.Is(want, syscall.ENOSPC) {
			want = io.EOF
		}
		if n, err := card.ReadAt(call.p, call.offset); n != 0 || !errors.Is(err, want) {
			t.Errorf("%s: read moved %d bytes: %v", name, n, err)
		}
	}
	if counts := card.Counts(); counts != (cardlab.Counts{}) {
		t.Errorf("refused calls count as %+v", counts)
	}
}

// TestCardCostsOnlyItsContent fills and empties places on a card far larger than memory.
func TestCardCostsOnlyItsContent(t *testing.T) {
	const sizeBytes = 1 << 50
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	card := newCard(t, cardlab.Traits{SizeBytes: sizeBytes})
	zeros := conform.Buffer(4 * mib)
	for i := range int64(256) {
		mustWrite(t, card, zeros, i*sizeBytes/256)
	}
	runtime.GC()
	runtime.ReadMemStats(&after)
	if grown := int64(after.HeapAlloc) - int64(before.HeapAlloc); grown > 32*mib {
		t.Errorf("a gigabyte of zeros costs %d bytes of memory", grown)
	}
	runtime.KeepAlive(card)
}

func TestFreshCardHoldsWhatItsTraitsSay(t *testing.T) {
	blank := newCard(t, cardlab.Traits{SizeBytes: mib})
	if !bytes.Equal(mustRead(t, blank, 0, mib), make([]byte, mib)) {
		t.Error("a blank card holds something")
	}
	used := newCard(t, cardlab.Traits{SizeBytes: mib, OldContent: true, Seed: 1})
	again := newCard(t, cardlab.Traits{SizeBytes: mib, OldContent: true, Seed: 1})
	other := newCard(t, cardlab.Traits{SizeBytes: mib, OldContent: true, Seed: 2})
	content := mustRead(t, used, 0, mib)
	for at := 512; at < mib; at += 512 {
		if bytes.Equal(content[at:at+512], content[:512]) {
			t.Fatalf("old content repeats itself at %d", at)
		}
	}
	if !bytes.Equal(content, mustRead(t, again, 0, mib)) || bytes.Equal(content, mustRead(t, other, 0, mib)) {
		t.Error("old content is not decided by the seed")
	}
	if !bytes.Equal(content[mib/2:], mustRead(t, used, mib/2, mib/2)) {
		t.Error("old content depends on how it is read")
	}
	// A sector of zeros in the middle of old content is content, not absence.
	mustWrite(t, used, conform.Buffer(512), mib/2)
	clear(content[mib/2 : mib/2+512])
	if !bytes.Equal(content, mustRead(t, used, 0, mib)) {
		t.Error("a write into old content changed more or less than it wrote")
	}
}

func TestCardOfLessThanItStates(t *testing.T) {
	const trueBytes, sizeBytes = 3 * mib / 2, 4 * mib
	p := noise(mib, 1)
	at := int64(trueBytes - mib/2) // half of the write lies past the true size
	for name, c := range map[string]struct {
		beyond cardlab.Beyond
		moved  int
		err    error
		// What a read at 0 and a read past the true size then give.
		front, past []byte
	}{
		"Wrap":   {cardlab.Wrap, mib, nil, p[mib/2:], p[mib/2:]},
		"Drop":   {cardlab.Drop, mib, nil, make([]byte, mib/2), make([]byte, mib/2)},
		"Refuse": {cardlab.Refuse, mib / 2, syscall.EIO, make([]byte, mib/2), nil},
	} {
		t.Run(name, func(t *testing.T) {
			card := newCard(t, cardlab.Traits{SizeBytes: sizeBytes, TrueSizeBytes: trueBytes, Beyond: c.beyond})
			if card.SizeBytes() != sizeBytes {
				t.Errorf("the card states %d bytes", card.SizeBytes())
			}
			if n, err := card.WriteAt(p, at); n != c.moved || !errors.Is(err, c.err) {
				t.Errorf("the write moved %d bytes: %v", n, err)
			}
			if !bytes.Equal(mustRead(t, card, at, mib/2), p[:mib/2]) {
				t.Error("what was written below the true size is not there")
			}
			if !bytes.Equal(mustRead(t, card, 0, mib/2), c.front) {
				t.Error("the front holds something else")
			}
			past := noise(mib/2, 9)
			_, err := card.ReadAt(past, trueBytes)
			if !errors.Is(err, c.err) || err == nil && !bytes.Equal(past, c.past) {
				t.Errorf("a read past the true size gives something else: %v", err)
			}
			if got := card.Truth().Read(at, mib/2); !bytes.Equal(got, p[:mib/2]) {
				t.Error("the truth is another")
			}
		})
	}
}

// TestTruthIsIndependent compares with what was sent, hashed apart, and with a list kept by hand.
func TestTruthIsIndependent(t *testing.T) {
	card := newCard(t, cardlab.Traits{SizeBytes: 64 * mib})
	p := noise(5*mib/2, 3)
	mustWrite(t, card, p[:mib], 7*mib)
	mustWrite(t, card, p[mib:2*mib], 8*mib)
	mustWrite(t, card, p[2*mib:], 9*mib)
	mustWrite(t, card, p[:512], 30*mib)
	before := card.Counts()
	if got := card.Truth().Digest(7*mib, int64(len(p))); got != sha256.Sum256(p) {
		t.Error("the digest is another than that of what was written")
	}
	want := []cardlab.Span{{OffsetBytes: 7 * mib, LengthBytes: int64(len(p))}, {OffsetBytes: 30 * mib, LengthBytes: 512}}
	expectSpans(t, card.Truth().Written(), want)
	expectSpans(t, card.Truth().Asked(), want)
	card.Pull(1)
	if _, err := card.WriteAt(p[:512], 0); !errors.Is(err, flash.ErrGone) {
		t.Errorf("write to a pulled card: %v", err)
	}
	if got := card.Counts(); got.Operations != before.Operations+1 || got.ReadBytes != 0 {
		t.Errorf("looking at the truth counts: %+v", got)
	}
	expectSpans(t, card.Truth().Written(), want)
	expectSpans(t, card.Truth().Asked(), append([]cardlab.Span{{LengthBytes: 512}}, want...))
}

// TestWrittenSpansJoin keeps the list against a plain slice of sectors.
func TestWrittenSpansJoin(t *testing.T) {
	const sectors = 300
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	card := newCard(t, cardlab.Traits{SizeBytes: sectors * 512})
	var oracle [sectors + 1]bool
	p := conform.Buffer(8 * 512)
	for range 60 {
		first := random.IntN(sectors - 8)
		count := random.IntN(9)
		mustWrite(t, card, p[:count*512], int64(first)*512)
		for i := range count {
			oracle[first+i] = true
		}
		var want []cardlab.Span
		for i := range sectors {
			if oracle[i] && (i == 0 || !oracle[i-1]) {
				want = append(want, cardlab.Span{OffsetBytes: int64(i) * 512})
			}
			if oracle[i] {
				want[len(want)-1].LengthBytes += 512
			}
		}
		expectSpans(t, card.Truth().Written(), want)
	}
}
