package cardlab_test

import (
	"bytes"
	"errors"
	"syscall"
	"testing"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/internal/cardlab/conform"
)

func TestFlips(t *testing.T) {
	const at = 700_001
	for name, c := range map[string]struct {
		flip cardlab.Flip
		// The inverted bits in the first read, in the second, and in a read after a second write.
		first, second, rewritten byte
	}{
		"OnWriteOnce":   {cardlab.Flip{Once: true, Mask: 0x81}, 0x81, 0x81, 0},
		"OnWriteAlways": {cardlab.Flip{}, 1, 1, 1},
		"OnReadOnce":    {cardlab.Flip{OnRead: true, Once: true}, 1, 0, 0},
		"OnReadAlways":  {cardlab.Flip{OnRead: true, Mask: 4}, 4, 4, 4},
	} {
		t.Run(name, func(t *testing.T) {
			c.flip.OffsetBytes = at
			card := newCard(t, cardlab.Traits{SizeBytes: mib, Flips: []cardlab.Flip{c.flip}})
			sent := noise(mib, 1)
			kept := bytes.Clone(sent)
			mustWrite(t, card, sent, 0)
			if !bytes.Equal(sent, kept) {
				t.Error("the card changed its caller's buffer")
			}
			expect := func(when string, mask byte) {
				t.Helper()
				want := bytes.Clone(kept)
				want[at] ^= mask
				if !bytes.Equal(mustRead(t, card, 0, mib), want) {
					t.Errorf("%s: not just the bits %#x of byte %d differ", when, mask, at)
				}
			}
			expect("first read", c.first)
			expect("second read", c.second)
			mustWrite(t, card, sent, 0)
			expect("rewritten", c.rewritten)
		})
	}
}

func TestBadRangesFailWhatTheySay(t *testing.T) {
	const at, lengthBytes = 100_000, 10
	for _, c := range []struct{ read, write bool }{{true, false}, {false, true}, {true, true}} {
		card := newCard(t, cardlab.Traits{SizeBytes: mib, Bad: []cardlab.BadRange{
			{Span: cardlab.Span{OffsetBytes: at, LengthBytes: lengthBytes}, Read: c.read, Write: c.write},
		}})
		p, before := noise(mib, 1), at/512*512
		n, err := card.WriteAt(p, 0)
		if c.write && (n != before || !errors.Is(err, syscall.EIO)) || !c.write && (n != mib || err != nil) {
			t.Errorf("%+v: write moved %d bytes: %v", c, n, err)
		}
		if !bytes.Equal(card.Truth().Read(0, n), p[:n]) {
			t.Errorf("%+v: what was moved is not there", c)
		}
		n, err = card.ReadAt(p, 0)
		if c.read && (n != before || !errors.Is(err, syscall.EIO)) || !c.read && (n != mib || err != nil) {
			t.Errorf("%+v: read moved %d bytes: %v", c, n, err)
		}
		mustRead(t, card, int64(before)+512, 4096)
		mustWrite(t, card, p[:4096], int64(before)+512)
	}
}

func TestUnstableRangesNeverReadTheSame(t *testing.T) {
	unstable := cardlab.Span{OffsetBytes: 10_240, LengthBytes: 2048}
	traits := cardlab.Traits{SizeBytes: mib, Unstable: []cardlab.Span{unstable}, Seed: 3}
	card, twin := newCard(t, traits), newCard(t, traits)
	p := noise(mib, 1)
	mustWrite(t, card, p, 0)
	mustWrite(t, twin, p, 0)
	last := p
	for range 50 {
		got := mustRead(t, card, 0, mib)
		if !bytes.Equal(got, mustRead(t, twin, 0, mib)) {
			t.Fatal("the seed does not decide what is read")
		}
		for at := unstable.OffsetBytes; at < unstable.End(); at += 512 {
			if bytes.Equal(got[at:at+512], last[at:at+512]) {
				t.Fatalf("the sector at %d reads the same again", at)
			}
		}
		if !bytes.Equal(got[:unstable.OffsetBytes], p[:unstable.OffsetBytes]) || !bytes.Equal(got[unstable.End():], p[unstable.End():]) {
			t.Fatal("a stable range differs")
		}
		last = got
	}
	if !bytes.Equal(card.Truth().Read(0, mib), p) {
		t.Error("reading changed the medium")
	}
}

func TestReadOnlyAfter(t *testing.T) {
	for _, drops := range []bool{false, true} {
		card := newCard(t, cardlab.Traits{SizeBytes: 4 * mib, ReadOnlyAfterBytes: 3*mib/2 + 100, ReadOnlyDrops: drops})
		p := noise(2*mib, 1)
		mustWrite(t, card, p[:mib], 0)
		n, err := card.WriteAt(p[mib:], mib)
		if drops && (n != mib || err != nil) || !drops && (n != mib/2 || !errors.Is(err, flash.ErrReadOnly)) {
			t.Errorf("drops %v: the write over the limit moved %d bytes: %v", drops, n, err)
		}
		mustFlush(t, card)
		card.Plug() // wear stays
		n, err = card.WriteAt(p[:512], 2*mib)
		if drops && (n != 512 || err != nil) || !drops && (n != 0 || !errors.Is(err, flash.ErrReadOnly)) {
			t.Errorf("drops %v: a later write moved %d bytes: %v", drops, n, err)
		}
		want := make([]byte, 4*mib)
		copy(want, p[:3*mib/2])
		if !bytes.Equal(mustRead(t, card, 0, 4*mib), want) {
			t.Errorf("drops %v: the card holds something else than the first 1.5 MiB", drops)
		}
	}
}

func TestGoneAfter(t *testing.T) {
	p := noise(mib, 1)
	t.Run("Written", func(t *testing.T) {
		card := newCard(t, cardlab.Traits{SizeBytes: 4 * mib, GoneAfter: cardlab.After{WrittenBytes: 3 * mib / 2}})
		mustWrite(t, card, p, 0)
		mustRead(t, card, 0, mib)
		if n, err := card.WriteAt(p, mib); n != mib/2 || !errors.Is(err, flash.ErrGone) {
			t.Errorf("the write over the limit moved %d bytes: %v", n, err)
		}
		expectGone(t, card)
		card.Plug()
		mustWrite(t, card, p, 0) // the amount counts from zero
	})
	t.Run("Exactly", func(t *testing.T) {
		card := newCard(t, cardlab.Traits{SizeBytes: 4 * mib, GoneAfter: cardlab.After{WrittenBytes: mib}})
		mustWrite(t, card, p, 0)
		expectGone(t, card)
	})
	t.Run("Read", func(t *testing.T) {
		card := newCard(t, cardlab.Traits{SizeBytes: 4 * mib, GoneAfter: cardlab.After{ReadBytes: mib}})
		mustWrite(t, card, conform.Buffer(4*mib), 0)
		mustRead(t, card, 0, mib/2)
		if n, err := card.ReadAt(p, mib); n != mib/2 || !errors.Is(err, flash.ErrGone) {
			t.Errorf("the read over the limit moved %d bytes: %v", n, err)
		}
		expectGone(t, card)
	})
	t.Run("Before", func(t *testing.T) {
		expectGone(t, newCard(t, cardlab.Traits{SizeBytes: mib, GoneAfter: cardlab.After{WrittenBytes: 1}}))
	})
}

func expectGone(t *testing.T, card *cardlab.Card) {
	t.Helper()
	p := conform.Buffer(512)
	_, readErr := card.ReadAt(p, 0)
	_, writeErr := card.WriteAt(p, 0)
	for call, err := range map[string]error{
		"read": readErr, "write": writeErr, "flush": card.Flush(), "drop": card.DropCache(),
	} {
		if !errors.Is(err, flash.ErrGone) {
			t.Errorf("%s of a card that is gone: %v", call, err)
		}
	}
}

// TestWalk fails each operation of a little job in turn, in each way, until the job passes untouched.
func TestWalk(t *testing.T) {
	p := noise(mib, 1)
	job := func(card *cardlab.Card) error {
		if _, err := card.WriteAt(p, 0); err != nil {
			return err
		}
		if err := card.Flush(); err != nil {
			return err
		}
		if _, err := card.ReadAt(conform.Buffer(mib), 0); err != nil {
			return err
		}
		_, err := card.WriteAt(p, mib)
		return err
	}
	const operations = 4
	for fault, want := range map[cardlab.Fault]error{
		cardlab.FaultError: syscall.EIO, cardlab.FaultShort: syscall.EIO, cardlab.FaultGone: flash.ErrGone,
	} {
		for number := 0; ; number++ {
			card := newCard(t, cardlab.Traits{SizeBytes: 4 * mib})
			card.Inject(cardlab.FailAt(number, fault))
			err := job(card)
			if number == operations {
				if err != nil || card.Counts().Operations != operations {
					t.Errorf("fault %d: the untouched job: %v, %+v", fault, err, card.Counts())
				}
				break
			}
			var failed *cardlab.Error
			if !errors.Is(err, want) || !errors.As(err, &failed) || failed.Op.Number != number {
				t.Errorf("fault %d at %d: %v", fault, number, err)
			}
			if number == 0 && fault == cardlab.FaultShort {
				if !bytes.Equal(card.Truth().Read(0, mib), append(bytes.Clone(p[:mib/2]), make([]byte, mib/2)...)) {
					t.Error("a short write is not half of it")
				}
			}
		}
	}
}

func TestInjectedFaultsLast(t *testing.T) {
	p := noise(4096, 1)
	card := newCard(t, cardlab.Traits{SizeBytes: mib})
	card.Inject(cardlab.FailAt(1, cardlab.FaultReadOnly))
	mustWrite(t, card, p, 0)
	for range 2 {
		if _, err := card.WriteAt(p, 4096); !errors.Is(err, flash.ErrReadOnly) {
			t.Errorf("write to a card that is read-only: %v", err)
		}
	}
	mustRead(t, card, 0, 4096)
	mustFlush(t, card)

	card = newCard(t, cardlab.Traits{SizeBytes: mib})
	card.Inject(cardlab.FailAt(0, cardlab.FaultGone))
	if err := card.Flush(); !errors.Is(err, flash.ErrGone) {
		t.Error(err)
	}
	expectGone(t, card)
	card.Plug()
	mustWrite(t, card, p, 0)
}
