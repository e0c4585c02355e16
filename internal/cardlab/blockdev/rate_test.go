//go:build device && !race

// Rates are measured without the race detector, which slows the emulation down more than a card may be slow.

package blockdev_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"cardwright/flash"
	"cardwright/internal/cardlab"
)

// TestNodeHoldsItsRate writes and reads in whole blocks, which the kernel splits, and takes the time. The tolerance is wider
// than what a quiet machine shows (0.2 %). A busy one can only make a card slower, so a slow try is tried again; a card
// that is too fast is wrong at once.
func TestNodeHoldsItsRate(t *testing.T) {
	const toleratedPercent, tries = 2.0, 3
	for _, mbps := range []int64{5, 20, 80} {
		t.Run(fmt.Sprintf("%dMBps", mbps), func(t *testing.T) {
			rate := mbps * 1_000_000
			_, node := attach(t, cardlab.Traits{SizeBytes: 1 << 30, WriteBytesPerSecond: rate, ReadBytesPerSecond: rate})
			file := openDirect(t, node)
			for name, move := range map[string]func([]byte, int64) (int, error){"write": file.WriteAt, "read": file.ReadAt} {
				off := -100.0
				for try := 0; try < tries && off < -toleratedPercent; try++ {
					got := moveForThreeSeconds(t, rate, move)
					off = 100 * (got/float64(rate) - 1)
					t.Logf("%s: asked %d, got %.0f bytes/s: %+.3f %%", name, rate, got, off)
				}
				if math.Abs(off) > toleratedPercent {
					t.Errorf("%s is off by %.2f %%", name, off)
				}
			}
		})
	}
}

// moveForThreeSeconds moves about as many blocks as the rate allows for in that time, and gives the rate it saw.
func moveForThreeSeconds(t *testing.T, bytesPerSecond int64, move func([]byte, int64) (int, error)) float64 {
	t.Helper()
	p := pattern(flash.BlockBytes, 3)
	blocks := 3 * bytesPerSecond / flash.BlockBytes
	took := timed(func() {
		for i := range blocks {
			if n, err := move(p, i*flash.BlockBytes); err != nil || n != len(p) {
				t.Fatalf("block %d: %d bytes moved: %v", i, n, err)
			}
		}
	})
	return float64(blocks*flash.BlockBytes) / took.Seconds()
}

// TestNodeIsQuickWithoutLimits guards the lab itself: one that is slower than a fast card could not emulate it.
func TestNodeIsQuickWithoutLimits(t *testing.T) {
	_, node := attach(t, cardlab.Traits{SizeBytes: 1 << 30})
	file := openDirect(t, node)
	p := pattern(flash.BlockBytes, 4)
	const blocks, small = 64, 2000
	var took time.Duration
	for range 2 { // the first round pays for the memory of the medium
		took = timed(func() {
			for i := range int64(blocks) {
				if _, err := file.WriteAt(p, i*flash.BlockBytes); err != nil {
					t.Fatal(err)
				}
			}
		})
	}
	rate := float64(blocks*flash.BlockBytes) / took.Seconds()
	took = timed(func() {
		for i := range int64(small) {
			if _, err := file.WriteAt(p[:4096], i*7919%blocks*flash.BlockBytes+i*4096%flash.BlockBytes); err != nil {
				t.Fatal(err)
			}
		}
	})
	perSecond := small / took.Seconds()
	t.Logf("%.0f MB/s, %.0f small writes a second", rate/1e6, perSecond)
	if rate < 50e6 || perSecond < 500 { // far below what a quiet machine shows: tests share theirs
		t.Error("too slow to emulate fast cards")
	}
}

// TestNodeStallsOnce expects one stall per write over the offset, though the kernel splits the write.
func TestNodeStallsOnce(t *testing.T) {
	const stall = 700 * time.Millisecond
	_, node := attach(t, cardlab.Traits{
		SizeBytes: 64 << 20,
		Stalls:    []cardlab.Stall{{OffsetBytes: 6<<20 + 12345, For: stall}},
	})
	file := openDirect(t, node)
	p := pattern(flash.BlockBytes, 5)
	for i := range int64(4) {
		took := timed(func() {
			if _, err := file.WriteAt(p, i*flash.BlockBytes); err != nil {
				t.Fatal(err)
			}
		})
		if stalled := i == 1; (took >= stall) != stalled || took > 2*stall {
			t.Errorf("block %d took %v", i, took)
		}
	}
}
