package capacity

import (
	"context"

	"cardwright/flash"
)

// mostRuns is how many failing runs of sectors a block is searched for. What lies behind them is taken as failing.
const mostRuns = 16

// A failingRun is a run of sectors that fail.
type failingRun struct{ from, to int64 }

// around takes a block that failed: it finds what does, to the sector, and moves the rest. quick lets it take the whole block as failing
// where its first and last sectors do, and whole tells that all of it does. What went through at another try is named whole and as
// wavering, since a card that fails at times keeps nothing for certain. The errors are those of goOver.
func (c *fullCheck) around(ctx context.Context, p *pass, block failingRun, quick bool) (whole bool, err error) {
	runs, err := c.search(ctx, p, block, quick)
	if err != nil {
		return false, err
	}
	if len(runs) == 0 {
		c.wavered(p, block.from, block.to)
		return false, nil
	}
	at := block.from
	for _, run := range runs {
		if err := c.moveAgain(p, at, run.from); err != nil {
			return false, err
		}
		p.failed(run.from, run.to)
		at = run.to
	}
	if len(runs) == mostRuns && at < block.to {
		c.wavered(p, at, block.to)
		return false, nil
	}
	return runs[0] == block, c.moveAgain(p, at, block.to)
}

// search finds the failing runs of a block that failed, and notes nothing. The errors are those of goOver.
func (c *fullCheck) search(ctx context.Context, p *pass, block failingRun, quick bool) (runs []failingRun, err error) {
	unit := int64(c.state.SectorBytes)
	if quick {
		first, err := c.tryUnlessOver(ctx, p, block.from, block.from+unit)
		if err != nil {
			return nil, err
		}
		last, err := c.tryUnlessOver(ctx, p, block.to-unit, block.to)
		if err != nil || !first && !last {
			return []failingRun{block}, err
		}
	}
	for at, works := block.from, false; at < block.to && len(runs) < mostRuns; {
		if at > block.from {
			if works, err = c.tryUnlessOver(ctx, p, at, block.to); err != nil || works {
				return runs, err
			}
		}
		run := failingRun{}
		if run.from, err = c.firstFailing(ctx, p, at, block.to); err != nil || run.from == block.to {
			return runs, err
		}
		if run.to, err = c.endOfFailing(ctx, p, run.from, block.to); err != nil {
			return nil, err
		}
		runs, at = append(runs, run), run.to
	}
	return runs, nil
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

// endOfFailing finds where a run of failing sectors ends, of which the first is known: it tries single sectors at growing distances,
// and halves where one works.
func (c *fullCheck) endOfFailing(ctx context.Context, p *pass, first, to int64) (int64, error) {
	unit := int64(c.state.SectorBytes)
	bad, good := first, to // the last that is known to fail, and the first that is known not to, or the end
	for distance := unit; bad < to-unit && good == to; distance *= 2 {
		at := min(first+distance, to-unit)
		works, err := c.tryUnlessOver(ctx, p, at, at+unit)
		switch {
		case err != nil:
			return 0, err
		case works:
			good = at
		default:
			bad = at
		}
	}
	for good-bad > unit && good < to {
		middle := bad + (good-bad)/2/unit*unit
		works, err := c.tryUnlessOver(ctx, p, middle, middle+unit)
		switch {
		case err != nil:
			return 0, err
		case works:
			good = middle
		default:
			bad = middle
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
		return false, failure(p.step, span{from, to - from}, err)
	}
	return err == nil, nil
}
