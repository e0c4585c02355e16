package cardlab_test

import (
	"errors"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/internal/cardlab/conform"
)

// expectTime runs work on the virtual clock and compares how long it took with arithmetic done by hand.
func expectTime(t *testing.T, want time.Duration, work func()) {
	t.Helper()
	begin := time.Now()
	work()
	if took := time.Since(begin); (took - want).Abs() > time.Microsecond {
		t.Errorf("took %v; want %v", took, want)
	}
}

func TestCardHoldsItsRates(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		card := newCard(t, cardlab.Traits{
			SizeBytes: 64 * mib, WriteBytesPerSecond: mib, ReadBytesPerSecond: 4 * mib, FlushCost: time.Minute,
		})
		expectTime(t, 8*time.Second, func() { mustWrite(t, card, conform.Buffer(8*mib), 0) })
		expectTime(t, 2*time.Second, func() { mustRead(t, card, 0, 8*mib) })
		expectTime(t, time.Minute, func() { mustFlush(t, card) })
	})
}

func TestCardWithoutLimitsTakesNoTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		card := newCard(t, cardlab.Traits{SizeBytes: 64 * mib})
		expectTime(t, 0, func() {
			mustWrite(t, card, conform.Buffer(8*mib), 0)
			mustRead(t, card, 0, 8*mib)
			mustFlush(t, card)
		})
	})
}

func TestCacheIsFastUntilItIsFull(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		card := newCard(t, cardlab.Traits{
			SizeBytes: 64 * mib, WriteBytesPerSecond: mib, CacheBytes: 6 * mib, CacheBytesPerSecond: 2 * mib,
		})
		p := conform.Buffer(4 * mib)
		expectTime(t, 2*time.Second, func() { mustWrite(t, card, p, 0) })
		expectTime(t, 3*time.Second, func() { mustWrite(t, card, p, 4*mib) }) // half of it still fits
		expectTime(t, 4*time.Second, func() { mustWrite(t, card, p, 8*mib) })
		card.Plug()
		expectTime(t, 2*time.Second, func() { mustWrite(t, card, p, 0) })
	})
}

func TestSmallRandomWritesCostMore(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		card := newCard(t, cardlab.Traits{SizeBytes: 64 * mib, RandomWriteCost: time.Second})
		p := conform.Buffer(mib)
		expectTime(t, 0, func() { mustWrite(t, card, p[:4096], 0) }) // where a card begins
		expectTime(t, 0, func() { mustWrite(t, card, p[:4096], 4096) })
		expectTime(t, time.Second, func() { mustWrite(t, card, p[:4096], mib) })
		expectTime(t, time.Second, func() { mustWrite(t, card, p[:cardlab.SmallWriteBytes], 8*mib) })
		expectTime(t, 0, func() { mustWrite(t, card, p, 2*mib) })
		card.Plug()
		expectTime(t, 0, func() { mustWrite(t, card, p[:4096], 0) })
	})
}

func TestStallsComeWhereTheyAreAsked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		card := newCard(t, cardlab.Traits{SizeBytes: 64 * mib, Stalls: []cardlab.Stall{
			{OffsetBytes: 3*mib + 5, For: time.Second},
			{OffsetBytes: 40 * mib, For: time.Hour, Once: true},
			{EveryBytes: 10 * mib, For: time.Minute},
		}})
		p := conform.Buffer(mib)
		for i := range int64(9) {
			want := time.Duration(0)
			if i == 3 {
				want = time.Second
			}
			expectTime(t, want, func() { mustWrite(t, card, p, i*mib) })
		}
		expectTime(t, time.Minute, func() { mustWrite(t, card, p, 20*mib) }) // the tenth
		expectTime(t, time.Hour, func() { mustWrite(t, card, p, 40*mib) })
		expectTime(t, 0, func() { mustWrite(t, card, p, 40*mib) })
		expectTime(t, time.Second, func() { mustWrite(t, card, p, 3*mib) }) // each time
		expectTime(t, 0, func() { mustRead(t, card, 3*mib, mib) })
	})
}

// TestShortPausesAreForgiven compares the whole with the programmed rate: pauses below 5 ms are the price of handing over.
func TestShortPausesAreForgiven(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		card := newCard(t, cardlab.Traits{SizeBytes: 64 * mib, WriteBytesPerSecond: 10 * mib})
		p := conform.Buffer(mib)
		write := func(pause time.Duration) func() {
			return func() {
				for i := range int64(10) {
					mustWrite(t, card, p, i*mib)
					time.Sleep(pause)
				}
			}
		}
		expectTime(t, time.Second+4*time.Millisecond, write(4*time.Millisecond)) // the last pause has no heir
		time.Sleep(time.Hour)                                                    // earns nothing
		expectTime(t, time.Second+10*20*time.Millisecond, write(20*time.Millisecond))
	})
}

// TestFreeOperationsEarnNothing reads for a while, at no cost and with pauses that are forgiven, before a write that costs.
func TestFreeOperationsEarnNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		card := newCard(t, cardlab.Traits{SizeBytes: 64 * mib, WriteBytesPerSecond: mib, FlushCost: time.Minute})
		for range 100 {
			time.Sleep(4 * time.Millisecond)
			mustRead(t, card, 0, 512)
		}
		expectTime(t, time.Second, func() { mustWrite(t, card, conform.Buffer(mib), 0) })
		card.Inject(cardlab.FailAt(card.Counts().Operations, cardlab.FaultError))
		expectTime(t, 0, func() {
			if err := card.Flush(); err == nil {
				t.Error("no error")
			}
		})
	})
}

// TestRequestsShareOneClock sends writes and reads at once, as the kernel does.
func TestRequestsShareOneClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		card := newCard(t, cardlab.Traits{SizeBytes: 64 * mib, WriteBytesPerSecond: mib, ReadBytesPerSecond: 2 * mib})
		expectTime(t, 8*time.Second+4*time.Second, func() {
			var group sync.WaitGroup
			for i := range int64(8) {
				group.Go(func() { mustWrite(t, card, conform.Buffer(mib), i*mib) })
				group.Go(func() { mustRead(t, card, i*mib, mib) })
			}
			group.Wait()
		})
	})
}

// TestSilentCardHangsUntilReleased relies on synctest: it knows a goroutine that waits for good from one that is busy.
func TestSilentCardHangsUntilReleased(t *testing.T) {
	for name, release := range map[string]func(*cardlab.Card){
		"Release": (*cardlab.Card).Release,
		"Pull":    func(card *cardlab.Card) { card.Pull(1) },
		"Plug":    (*cardlab.Card).Plug,
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				card := newCard(t, cardlab.Traits{SizeBytes: 64 * mib, SilentAfter: cardlab.After{WrittenBytes: 3 * mib / 2}})
				p := noise(mib, 1)
				mustWrite(t, card, p, 0)
				var ended []error
				var moved int
				go func() {
					n, err := card.WriteAt(p, mib)
					moved, ended = n, append(ended, err)
					_, err = card.ReadAt(p, 0)
					ended = append(ended, err)
				}()
				time.Sleep(24 * time.Hour)
				synctest.Wait()
				if len(ended) != 0 {
					t.Fatalf("a silent card answered: %v", ended)
				}
				release(card)
				synctest.Wait()
				if len(ended) != 2 || !errors.Is(ended[0], flash.ErrGone) || moved != mib/2 {
					t.Errorf("released, the call moved %d bytes: %v", moved, ended)
				}
				if plugged := name == "Plug"; plugged != (ended[1] == nil) {
					t.Errorf("the call after it: %v", ended[1])
				}
			})
		})
	}
}

// TestPullEndsWaits pulls the card in the middle of a slow write.
func TestPullEndsWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		card := newCard(t, cardlab.Traits{SizeBytes: 64 * mib, WriteBytesPerSecond: mib})
		time.AfterFunc(time.Second, card.PullSynced)
		expectTime(t, time.Second, func() {
			if n, err := card.WriteAt(noise(8*mib, 1), 0); n != 0 || !errors.Is(err, flash.ErrGone) {
				t.Errorf("moved %d bytes: %v", n, err)
			}
		})
		card.Plug()
		expectTime(t, time.Second, func() { mustWrite(t, card, conform.Buffer(mib), 0) })
	})
}
