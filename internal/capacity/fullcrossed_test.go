package capacity_test

import (
	"testing"

	"cardwright/internal/capacity"
	"cardwright/internal/cardlab"
)

// A crossedCard has address lines that are not as they should be.
type crossedCard struct {
	*cardlab.Card
	line func(offsetBytes int64) int64
}

func (c crossedCard) ReadAt(p []byte, offsetBytes int64) (int, error) {
	return c.each(p, offsetBytes, c.Card.ReadAt)
}

func (c crossedCard) WriteAt(p []byte, offsetBytes int64) (int, error) {
	return c.each(p, offsetBytes, c.Card.WriteAt)
}

// each moves 512 KiB after 512 KiB: below that, no line is crossed.
func (c crossedCard) each(p []byte, offsetBytes int64, move func([]byte, int64) (int, error)) (int, error) {
	const piece = mib / 2
	for at := 0; at < len(p); {
		end := min(len(p), at+piece-int((offsetBytes+int64(at))%piece))
		if _, err := move(p[at:end], c.line(offsetBytes+int64(at))); err != nil {
			return at, err
		}
		at = end
	}
	return len(p), nil
}

func TestFullSeesCrossedLines(t *testing.T) {
	const size = 32 * mib
	swap := func(at int64) int64 {
		a, b := at>>20&1, at>>23&1
		return at&^(1<<20|1<<23) | a<<23 | b<<20
	}
	write := newLabCard(t, cardlab.Traits{SizeBytes: size})
	// A card whose lines are crossed both ways keeps its word; here they are only on reading, as where a second chip answers.
	crossed := readCrossed{crossedCard{write, swap}}
	r := checkFull(t, crossed, capacity.Options{})
	expectVerdict(t, r, capacity.Unreliable, -1)
	if len(r.BadRanges) == 0 || r.BadRanges[0] != (capacity.Range{
		OffsetBytes: mib, LengthBytes: mib, Kind: capacity.Swapped, FromBytes: 8 * mib,
	}) {
		t.Errorf("crossed lines: %v", r.BadRanges)
	}
	stuck := crossedCard{newLabCard(t, cardlab.Traits{SizeBytes: size}), func(at int64) int64 { return at &^ (1 << 20) }}
	r = checkFull(t, stuck, capacity.Options{})
	expectVerdict(t, r, capacity.Unreliable, -1)
	if len(r.BadRanges) != 16 || r.BadRanges[1] != (capacity.Range{
		OffsetBytes: 2 * mib, LengthBytes: mib, Kind: capacity.Swapped, FromBytes: 3 * mib,
	}) {
		t.Errorf("a stuck line: %v", r.BadRanges)
	}
	top := crossedCard{newLabCard(t, cardlab.Traits{SizeBytes: size}), func(at int64) int64 { return at &^ (16 * mib) }}
	expectVerdict(t, checkFull(t, top, capacity.Options{}), capacity.Short, 16*mib) // the topmost line alone: that is a wrap
}

// A readCrossed has its lines crossed on reading alone.
type readCrossed struct{ crossedCard }

func (c readCrossed) WriteAt(p []byte, offsetBytes int64) (int, error) {
	return c.Card.WriteAt(p, offsetBytes)
}
