// Package conform holds what every flash.Card has to keep, as a test that each implementation calls.
//
// It never opens a device and knows no implementation. Read next: Card.
package conform

import (
	"bytes"
	"math/rand/v2"
	"testing"
	"unsafe"

	"cardwright/flash"
)

// leastBytes is how large a card must be for the suite to mean something.
const leastBytes = 8 << 20

// Card runs the suite. Each part calls open for a card of its own, of at least 8 MiB, that may be overwritten; open closes
// it through t.Cleanup. The oracle is a plain slice.
func Card(t *testing.T, open func(t *testing.T) flash.Card) {
	t.Helper()
	parts := []struct {
		name string
		run  func(t *testing.T, card flash.Card)
	}{
		{"StatesSoundSizes", statesSoundSizes},
		{"GivesBackWhatWasWritten", givesBackWhatWasWritten},
		{"MovesLongRunsWhole", movesLongRunsWhole},
		{"ReachesItsEnds", reachesItsEnds},
		{"RefusesWhatLiesPastTheEnd", refusesPastTheEnd},
		{"TakesFlushAndDropAnyTime", takesFlushAndDropAnyTime},
	}
	for _, part := range parts {
		t.Run(part.name, func(t *testing.T) {
			card := open(t)
			if card.SizeBytes() < leastBytes {
				t.Fatalf("a card of %d bytes; the suite needs %d", card.SizeBytes(), leastBytes)
			}
			part.run(t, card)
		})
	}
}

// Buffer makes a buffer that a Card accepts.
func Buffer(lengthBytes int) []byte {
	raw := make([]byte, lengthBytes+flash.AlignBytes)
	skip := -uintptr(unsafe.Pointer(unsafe.SliceData(raw))) % flash.AlignBytes
	return raw[skip : int(skip)+lengthBytes : int(skip)+lengthBytes]
}

func statesSoundSizes(t *testing.T, card flash.Card) {
	sector := card.SectorBytes()
	if sector < 1 || sector&(sector-1) != 0 || sector > flash.AlignBytes {
		t.Errorf("sectors of %d bytes; want a power of two up to %d", sector, flash.AlignBytes)
	}
	if card.SizeBytes()%int64(max(1, sector)) != 0 {
		t.Errorf("a size of %d bytes is no whole number of sectors of %d", card.SizeBytes(), sector)
	}
}

// givesBackWhatWasWritten writes seeded random ranges and compares every read with the slice.
func givesBackWhatWasWritten(t *testing.T, card flash.Card) {
	const spanBytes = 2 << 20
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random, noise := rand.New(rand.NewPCG(seed, 1)), rand.NewChaCha8([32]byte{byte(seed)})
	oracle := make([]byte, spanBytes)
	whole := Buffer(spanBytes)
	writeAll(t, card, whole, 0)
	step := max(512, card.SectorBytes())
	for range 200 {
		lengthBytes := step * (1 + random.IntN(64))
		offset := random.IntN((spanBytes-lengthBytes)/step+1) * step
		p := Buffer(lengthBytes)
		switch random.IntN(5) {
		case 0:
			if err := card.Flush(); err != nil {
				t.Fatalf("flush: %v", err)
			}
		case 1, 2:
			readAll(t, card, p, int64(offset))
			if !bytes.Equal(p, oracle[offset:offset+lengthBytes]) {
				t.Fatalf("%d bytes at %d are not what was written", lengthBytes, offset)
			}
		default:
			_, _ = noise.Read(p)
			writeAll(t, card, p, int64(offset))
			copy(oracle[offset:], p)
		}
	}
	readAll(t, card, whole, 0)
	if !bytes.Equal(whole, oracle) {
		t.Error("the whole differs from what was written")
	}
}

func movesLongRunsWhole(t *testing.T, card flash.Card) {
	p, back := Buffer(flash.BlockBytes), Buffer(flash.BlockBytes)
	_, _ = rand.NewChaCha8([32]byte{7}).Read(p)
	kept := bytes.Clone(p)
	writeAll(t, card, p, flash.ClearBytes)
	if !bytes.Equal(p, kept) {
		t.Error("WriteAt changed its caller's buffer")
	}
	if err := card.Flush(); err != nil {
		t.Fatalf("flush: %v", err)
	}
	readAll(t, card, back, flash.ClearBytes)
	if !bytes.Equal(back, kept) {
		t.Error("a whole block does not come back as written")
	}
}

func reachesItsEnds(t *testing.T, card flash.Card) {
	lengthBytes := max(512, card.SectorBytes())
	for _, offset := range []int64{0, card.SizeBytes() - int64(lengthBytes)} {
		p, back := Buffer(lengthBytes), Buffer(lengthBytes)
		_, _ = rand.NewChaCha8([32]byte{byte(offset)}).Read(p)
		writeAll(t, card, p, offset)
		readAll(t, card, back, offset)
		if !bytes.Equal(p, back) {
			t.Errorf("the sector at %d does not come back as written", offset)
		}
	}
}

func refusesPastTheEnd(t *testing.T, card flash.Card) {
	lengthBytes := max(512, card.SectorBytes())
	size := card.SizeBytes()
	for _, offset := range []int64{size, size - int64(lengthBytes)} {
		p := Buffer(2 * lengthBytes)
		if n, err := card.WriteAt(p, offset); err == nil {
			t.Errorf("a write of %d bytes at %d of %d moved %d bytes without an error", len(p), offset, size, n)
		}
		if n, err := card.ReadAt(p, offset); err == nil {
			t.Errorf("a read of %d bytes at %d of %d moved %d bytes without an error", len(p), offset, size, n)
		}
	}
	if card.SizeBytes() != size {
		t.Errorf("the card grew from %d to %d bytes", size, card.SizeBytes())
	}
}

func takesFlushAndDropAnyTime(t *testing.T, card flash.Card) {
	for range 2 {
		if err := card.Flush(); err != nil {
			t.Errorf("a flush with nothing written: %v", err)
		}
		// An error is a card's right here: not every cache can be dropped. It must only not hurt.
		_ = card.DropCache()
	}
	reachesItsEnds(t, card)
}

func writeAll(t *testing.T, card flash.Card, p []byte, offset int64) {
	t.Helper()
	if n, err := card.WriteAt(p, offset); err != nil || n != len(p) {
		t.Fatalf("a write of %d bytes at %d moved %d: %v", len(p), offset, n, err)
	}
}

func readAll(t *testing.T, card flash.Card, p []byte, offset int64) {
	t.Helper()
	if n, err := card.ReadAt(p, offset); err != nil || n != len(p) {
		t.Fatalf("a read of %d bytes at %d moved %d: %v", len(p), offset, n, err)
	}
}
