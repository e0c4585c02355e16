package capacity

import (
	"context"

	"cardwright/flash"
)

// confirmBytes is how much is written once more to a card that seems to forget or to refuse from some place on: more than what a
// card's own memory may answer for it.
const confirmBytes = 32 << 20

// conclude gives the verdict and the true size, -1 where none is known, and leaves the card so that nothing takes it for anything.
// Errors are *flash.Error of a card that answers no more or takes no flush, and the context's cause.
func (c *fullCheck) conclude(ctx context.Context) (Verdict, int64, error) {
	found := &c.state.Found
	verdict, trueBytes := found.verdict(c.state.SizeBytes)
	if verdict == Short && found.Bytes[displaced] == 0 {
		c.meter.enter("confirming the true size")
		keeps, err := c.stillKeeps(ctx, trueBytes)
		if err != nil {
			return "", -1, err
		}
		if !keeps {
			verdict, trueBytes = Unreliable, -1
		}
	}
	cleared, err := c.clearEnds(verdict, trueBytes)
	if err != nil {
		return "", -1, err
	}
	if !cleared {
		return Unreliable, -1, nil
	}
	return verdict, trueBytes, nil
}

// stillKeeps tells whether the last bytes below the true size are kept when they are written anew. A card that stopped taking writes
// while it was being stamped looks like one that ends there, and keeps nothing now.
func (c *fullCheck) stillKeeps(ctx context.Context, trueBytes int64) (bool, error) {
	from := max(0, trueBytes-confirmBytes)
	c.meter.expect(2 * (trueBytes - from))
	another := c.state.Pass + 1
	known := recogniser{
		stamps: c.stamps, pass: another, sizeBytes: c.state.SizeBytes, sectorBytes: c.state.SectorBytes,
	}
	var found outcome
	write, read := c.writing(), c.reading()
	write.before = func(p []byte, offsetBytes int64) { c.stamps.Fill(p, offsetBytes, another) }
	read.after = func(p []byte, offsetBytes int64) { known.block(p, offsetBytes, &found) }
	for _, p := range []*pass{write, read} {
		for at := from; at < trueBytes; at += flash.BlockBytes {
			end := min(at+flash.BlockBytes, trueBytes)
			works, err := c.tryUnlessOver(ctx, p, at, end)
			if err != nil || !works {
				return false, err
			}
			if p == read {
				read.after(c.spare[:end-at], at)
			}
			c.meter.moved(int(end - at))
		}
		if err := c.card.Flush(); err != nil {
			return false, &flash.Error{Step: StepStamp, OffsetBytes: trueBytes, Err: err}
		}
		if err := c.dropCache(); err != nil {
			return false, err
		}
	}
	return found.SoundBytes == trueBytes-from, nil
}

// clearEnds zeroes the card's first and last flash.ClearBytes. It tells false where that fails on a card that should take it: then
// the place is among the bad ones, and no size explains it.
func (c *fullCheck) clearEnds(verdict Verdict, trueBytes int64) (bool, error) {
	zeros := c.spare[:min(flash.ClearBytes, c.state.SizeBytes)]
	clear(zeros)
	cleared := true
	for _, at := range []int64{0, c.state.SizeBytes - int64(len(zeros))} {
		p := &pass{step: flash.StepClear, move: c.card.WriteAt}
		end := at + int64(len(zeros))
		if at == 0 && verdict == Short {
			end = min(end, trueBytes)
		}
		works, err := c.try(p, at, end)
		if err != nil {
			return false, err
		}
		if !works && (verdict == True || verdict == Short && at == 0) {
			cleared = false
			c.state.Found.failedLate(Range{at, end - at, Unwritable, -1})
		}
	}
	if err := c.card.Flush(); err != nil {
		return false, &flash.Error{Step: flash.StepClear, Err: err}
	}
	return cleared, nil
}
