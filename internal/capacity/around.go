package capacity

import (
	"context"

	"cardwright/flash"
)

// around takes a block that failed: it finds the part that does, to the sector from both ends, and moves what lies before and behind.
// whole tells that no sector at either end works. What went through at another try is named whole and as wavering, since a card that
// fails at times keeps nothing for certain. The errors are those of goOver.
func (c *fullCheck) around(ctx context.Context, p *pass, from, to int64) (whole bool, err error) {
	first, err := c.firstFailing(ctx, p, from, to)
	if err != nil {
		return false, err
	}
	if first == to {
		c.wavered(p, from, to)
		return false, nil
	}
	last, err := c.lastFailing(ctx, p, first, to)
	if err != nil {
		return false, err
	}
	if err := c.moveAgain(p, from, first); err != nil {
		return false, err
	}
	p.failed(first, last)
	return first == from && last == to, c.moveAgain(p, last, to)
}

// moveAgain moves a piece that worked, in one call of its own, since what a failed read leaves in a buffer is anything.
func (c *fullCheck) moveAgain(p *pass, from, to int64) error {
	if from == to {
		return nil
	}
	works, err := c.try(p, from, to)
	switch {
	case err != nil:
		return err
	case !works:
		c.wavered(p, from, to)
	case p.after != nil:
		p.after(c.spare[:to-from], from)
	}
	return nil
}

// wavered notes a range of which a call failed and another went through.
func (c *fullCheck) wavered(p *pass, from, to int64) {
	c.state.Found.Wavered = true
	p.failed(from, to)
}

// firstFailing finds the first sector of a block that does not work; the block's end where each does by now.
func (c *fullCheck) firstFailing(ctx context.Context, p *pass, from, to int64) (int64, error) {
	unit := int64(c.state.SectorBytes)
	works, err := c.tryUnlessOver(ctx, p, from, from+unit)
	if err != nil || !works {
		return from, err
	}
	good, bad := from+unit, to // all before good works, not all before bad does
	for bad-good > unit {
		middle := good + (bad-good)/2/unit*unit
		if works, err = c.tryUnlessOver(ctx, p, from, middle); err != nil {
			return 0, err
		}
		if works {
			good = middle
		} else {
			bad = middle
		}
	}
	if good == to {
		return to, nil
	}
	if works, err = c.tryUnlessOver(ctx, p, good, good+unit); err != nil || works {
		return to, err
	}
	return good, nil
}

// lastFailing finds where the last sector of a block that does not work ends; first is one that does not.
func (c *fullCheck) lastFailing(ctx context.Context, p *pass, first, to int64) (int64, error) {
	unit := int64(c.state.SectorBytes)
	if first+unit == to {
		return to, nil
	}
	works, err := c.tryUnlessOver(ctx, p, to-unit, to)
	if err != nil || !works {
		return to, err
	}
	bad, good := first+unit, to-unit // all from good on works, and the sector before bad does not
	for good > bad {
		middle := bad + (good-bad)/2/unit*unit
		if works, err = c.tryUnlessOver(ctx, p, middle, to); err != nil {
			return 0, err
		}
		if works {
			good = middle
		} else {
			bad = middle + unit
		}
	}
	return good, nil
}

// lookAhead tries single sectors at growing distances, up to the card's very last one, and takes what lies before the last that
// failed as failing without trying it. It gives where to go on: the end of the surface where all failed. The errors are those of
// goOver.
func (c *fullCheck) lookAhead(ctx context.Context, p *pass, from int64) (int64, error) {
	unit, size := int64(c.state.SectorBytes), c.state.SizeBytes
	until := from
	for distance := int64(flash.BlockBytes); until < size; distance *= 2 {
		at := min(from+distance, size-unit)
		works, err := c.tryUnlessOver(ctx, p, at, at+unit)
		if err != nil {
			return 0, err
		}
		if works {
			break
		}
		if until = at; at == size-unit {
			until = size
		}
	}
	if until > from {
		c.skipTo(p, from, until)
	}
	return until, nil
}

// skipTo notes a range as failing. Of the reading, what was not even written stays what it is.
func (c *fullCheck) skipTo(p *pass, from, until int64) {
	c.meter.expect(from - until)
	for at := from; at < until; {
		if skipped := p.skip(at); skipped > 0 {
			at += skipped
			continue
		}
		end := until
		if c.state.Phase == reading {
			end = min(end, c.state.unwritableFrom(at).OffsetBytes)
		}
		p.failed(at, end)
		at = end
	}
}

// tryUnlessOver is try for work that a context may end: a card that fails slowly is not waited for.
func (c *fullCheck) tryUnlessOver(ctx context.Context, p *pass, from, to int64) (bool, error) {
	if ctx.Err() != nil {
		return false, context.Cause(ctx)
	}
	return c.try(p, from, to)
}

// try moves a piece of at most a block through the spare buffer. The error is a *flash.Error of a card that answers no more.
func (c *fullCheck) try(p *pass, from, to int64) (works bool, err error) {
	piece := c.spare[:to-from]
	if p.before != nil {
		p.before(piece, from)
	}
	err = move(p, piece, from)
	if isOver(err) {
		return false, &flash.Error{Step: p.step, OffsetBytes: from, LengthBytes: to - from, Err: err}
	}
	return err == nil, nil
}
