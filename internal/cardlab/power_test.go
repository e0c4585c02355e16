package cardlab_test

import (
	"bytes"
	"math/rand/v2"
	"testing"

	"cardwright/internal/cardlab"
	"cardwright/internal/cardlab/conform"
)

// TestPullKeepsWhatWasSynced compares, sector by sector, with two plain slices: what was synced, and what was written.
func TestPullKeepsWhatWasSynced(t *testing.T) {
	const sizeBytes = 2 * mib
	for _, old := range []bool{false, true} {
		seed := rand.Uint64()
		t.Logf("seed %d", seed)
		random := rand.New(rand.NewPCG(seed, 0))
		card := newCard(t, cardlab.Traits{SizeBytes: sizeBytes, OldContent: old, Seed: seed})
		now := card.Truth().Read(0, sizeBytes)
		synced := bytes.Clone(now)
		kept, lost := 0, 0
		for range 20 {
			for range 20 {
				p := noise(512*(1+random.IntN(200)), byte(random.Uint32()))
				if random.IntN(4) == 0 {
					clear(p)
				}
				at := random.IntN((sizeBytes-len(p))/512) * 512
				mustWrite(t, card, p, int64(at))
				copy(now[at:], p)
				if random.IntN(8) == 0 {
					mustFlush(t, card)
					copy(synced, now)
				}
			}
			card.Pull(random.Uint64())
			card.Plug()
			got := mustRead(t, card, 0, sizeBytes)
			for at := 0; at < sizeBytes; at += 512 {
				switch is := got[at : at+512]; {
				case bytes.Equal(synced[at:at+512], now[at:at+512]) && bytes.Equal(is, now[at:at+512]):
				case bytes.Equal(is, now[at:at+512]):
					kept++
				case bytes.Equal(is, synced[at:at+512]):
					lost++
				default:
					t.Fatalf("the sector at %d holds neither what was synced nor what was written", at)
				}
			}
			copy(now, got)
			copy(synced, got) // what a power cut left is on the medium
		}
		if kept == 0 || lost == 0 {
			t.Errorf("of the unsynced sectors %d were kept and %d lost; want some of both", kept, lost)
		}
	}
}

func TestPullIsDecidedByItsSeed(t *testing.T) {
	after := func(pull func(*cardlab.Card)) []byte {
		card := newCard(t, cardlab.Traits{SizeBytes: mib})
		mustWrite(t, card, noise(mib, 1), 0)
		pull(card)
		return card.Truth().Read(0, mib)
	}
	pull := func(seed uint64) func(*cardlab.Card) { return func(card *cardlab.Card) { card.Pull(seed) } }
	if !bytes.Equal(after(pull(1)), after(pull(1))) || bytes.Equal(after(pull(1)), after(pull(2))) {
		t.Error("the seed does not decide what is lost")
	}
	if !bytes.Equal(after((*cardlab.Card).PullSynced), make([]byte, mib)) {
		t.Error("something unsynced outlived the worst moment")
	}
}

// TestLyingFlushLosesTheLastBytes follows a card that withholds 10 KiB from every flush: less than it stores at once.
func TestLyingFlushLosesTheLastBytes(t *testing.T) {
	const lieBytes = 10 << 10
	p := noise(mib, 1)
	var old []byte // what the card held before
	written := func() *cardlab.Card {
		card := newCard(t, cardlab.Traits{SizeBytes: 4 * mib, LyingFlushBytes: lieBytes, OldContent: true})
		old = card.Truth().Read(0, 4*mib)
		for at := 0; at < mib; at += 4096 {
			q := conform.Buffer(4096)
			copy(q, p[at:])
			mustWrite(t, card, q, int64(at))
		}
		mustFlush(t, card)
		return card
	}
	card := written()
	if got := card.Truth().UnsyncedBytes(); got != lieBytes {
		t.Errorf("the flush left %d bytes unsynced; want %d", got, lieBytes)
	}
	if !bytes.Equal(mustRead(t, card, 0, mib), p) {
		t.Error("the lie shows before the card is pulled")
	}
	card.Pull(1)
	want := append(bytes.Clone(p[:mib-lieBytes]), old[mib-lieBytes:]...)
	if !bytes.Equal(card.Truth().Read(0, 4*mib), want) {
		t.Error("not just the last bytes were lost")
	}

	card = written()
	mustWrite(t, card, noise(lieBytes, 2), 2*mib) // pushes the withheld bytes out
	mustFlush(t, card)
	card.Pull(1)
	copy(want[mib-lieBytes:mib], p[mib-lieBytes:])
	if !bytes.Equal(card.Truth().Read(0, 4*mib), want) {
		t.Error("a later flush did not sync what came before the last bytes")
	}

	card.Plug()
	mustWrite(t, card, noise(512, 3), mib-512)
	mustFlush(t, card)
	card.Pull(1)
	if !bytes.Equal(card.Truth().Read(0, 4*mib), want) {
		t.Error("a sector that was lost is not what it was when it was synced")
	}

	card = written()
	const beside = mib - lieBytes - 512 // synced, and stored together with what was not
	mustWrite(t, card, noise(512, 3), beside)
	card.PullSynced()
	if !bytes.Equal(card.Truth().Read(beside, 512), p[beside:beside+512]) {
		t.Error("a sector that was synced went back to what it was before that")
	}

	kept := 0
	for seed := range uint64(20) {
		card = written()
		again := noise(512, 4)
		mustWrite(t, card, again, mib-512) // no flush has lied about this one
		card.Pull(seed)
		if bytes.Equal(card.Truth().Read(mib-512, 512), again) {
			kept++
		}
	}
	if kept == 0 || kept == 20 {
		t.Errorf("an unsynced sector was kept %d times in 20", kept)
	}
}

func TestFailedFlushSyncsNothing(t *testing.T) {
	card := newCard(t, cardlab.Traits{SizeBytes: mib})
	card.Inject(cardlab.FailAt(1, cardlab.FaultError))
	mustWrite(t, card, noise(mib, 1), 0)
	if err := card.Flush(); err == nil {
		t.Error("no error")
	}
	card.PullSynced()
	if !bytes.Equal(card.Truth().Read(0, mib), make([]byte, mib)) {
		t.Error("something was synced")
	}
}
