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

// stillKeeps tells whether the last bytes below the true size are kept when they are written anew, and still nothing is at that size,
// at growing distances behind it and at the card's very end. A card that stopped taking writes while it was being stamped looks like
// one that ends there, and keeps nothing now; one that failed there by chance keeps it.
func (c *fullCheck) stillKeeps(ctx context.Context, trueBytes int64) (bool, error) {
	from, unit := max(0, trueBytes-confirmBytes), int64(c.state.SectorBytes)
	behind := []int64{trueBytes}
	for distance := unit; trueBytes+distance < c.state.SizeBytes; distance *= 2 {
		behind = append(behind, trueBytes+distance)
	}
	behind = append(behind, c.state.SizeBytes-unit)
	c.meter.expect(2 * (trueBytes - from))
	another := c.state.Pass + 1
	known := recogniser{
		stamps: c.stamps, pass: another, sizeBytes: c.state.SizeBytes, sectorBytes: c.state.SectorBytes,
	}
	var below, beyond outcome
	write, read := c.writing(), c.reading()
	write.before = func(p []byte, offsetBytes int64) { c.stamps.Fill(p, offsetBytes, another) }
	read.after = func(p []byte, offsetBytes int64) { known.block(p, offsetBytes, &below) }
	for _, p := range []*pass{write, read} {
		for _, at := range behind {
			works, err := c.tryUnlessOver(ctx, p, at, at+unit)
			if err != nil {
				return false, err
			}
			if works && p == read {
				known.block(c.spare[:unit], at, &beyond)
			}
		}
		if works, err := c.all(ctx, p, from, trueBytes); err != nil || !works {
			return false, err
		}
		if err := c.flushAndDrop(trueBytes); err != nil {
			return false, err
		}
	}
	return below.SoundBytes == trueBytes-from && beyond.SoundBytes == 0, nil
}

// all moves a range block by block, and tells false at the first that fails.
func (c *fullCheck) all(ctx context.Context, p *pass, from, to int64) (works bool, err error) {
	for at := from; at < to; at += flash.BlockBytes {
		end := min(at+flash.BlockBytes, to)
		if works, err = c.tryUnlessOver(ctx, p, at, end); err != nil || !works {
			return false, err
		}
		if p.after != nil {
			p.after(c.spare[:end-at], at)
		}
		c.meter.moved(int(end - at))
	}
	return true, nil
}

// flushAndDrop makes what was written last, and the reads that follow come from the medium.
func (c *fullCheck) flushAndDrop(offsetBytes int64) error {
	if err := c.card.Flush(); err != nil {
		return failure(StepStamp, span{offsetBytes: offsetBytes}, err)
	}
	return c.dropCache()
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
		return false, failure(flash.StepClear, span{}, err)
	}
	return cleared, nil
}
