package capacity

import (
	"context"
	"math/rand/v2"
	"time"

	"cardwright/flash"
)

// A fullCheck is one run of Full.
type fullCheck struct {
	card    flash.Card
	options Options
	meter   *Meter
	stamps  Stamper
	file    stateFile
	state   *state
	resumed int64 // of writing and reading together
	began   time.Time
	before  float64 // seconds of the part before an interruption
	saved   time.Time
	savedAt int64

	buffers [2][]byte
	spare   []byte
	turn    int
	madeFor int64 // the place for which the other buffer is being filled, or was; -1: none
	aside   aside
}

// Full finds a card's true size by stamps all over it: it writes the card from its first sector to its last, reads all of it back,
// and measures both. What the card held is gone; at the end its first and last flash.ClearBytes are zeroed, so that nothing takes it
// for anything, and the rest holds stamps.
//
// An interrupted check goes on where it was, as long as its state lies in Options.Folder and the card holds its stamps; else it
// begins anew. Result.ResumedAtBytes counts the writing and the reading together: from the card's size on, the reading was
// interrupted. Without a folder no state is kept. An end of the context takes effect within a block.
//
// A call that fails makes a bad range and no error. The errors are a *flash.Error of a card that answers no more, takes no flush or is
// read-only from the first, or whose cache cannot be dropped though it is not read directly, the context's cause, and those of the
// state's file; a card that states no room at all ends it too. The result beside one has no verdict.
func Full(ctx context.Context, card flash.Card, o Options) (*Result, error) {
	c := &fullCheck{card: card, options: o, meter: o.meter(), state: &state{}, began: time.Now(), madeFor: -1}
	if card.SizeBytes() < max(StampBytes, int64(card.SectorBytes())) {
		return c.result("", -1), errTiny
	}
	for i := range c.buffers {
		c.buffers[i] = flash.AlignedBuffer(flash.BlockBytes)
	}
	c.spare = flash.AlignedBuffer(flash.BlockBytes)
	var left *state
	c.file, left = openState(o)
	verdict, trueBytes, err := c.run(ctx, left)
	if err != nil {
		return c.result("", -1), err
	}
	return c.result(verdict, trueBytes), nil
}

// run takes all steps.
func (c *fullCheck) run(ctx context.Context, left *state) (Verdict, int64, error) {
	if err := c.begin(ctx, left); err != nil {
		return "", -1, err
	}
	if c.state.Phase == writing {
		c.meter.enter("writing stamps")
		if err := c.goOver(ctx, c.writing(), c.state.SizeBytes); err != nil {
			return "", -1, err
		}
		c.state.Phase, c.state.OffsetBytes = reading, 0
		if err := c.save(); err != nil {
			return "", -1, err
		}
	}
	if err := c.dropCache(); err != nil {
		return "", -1, err
	}
	if err := c.readBack(ctx); err != nil {
		return "", -1, err
	}
	verdict, trueBytes, err := c.conclude(ctx)
	if err != nil {
		return "", -1, err
	}
	return verdict, trueBytes, c.file.removeState()
}

// readBack reads all of the card. Its last bytes were written last, and its own memory may still answer for them. So before they are
// read, as much before them is written once more. On a card on which stamps were displaced that would change more than it tells, and
// its last bytes cannot make it true any more.
func (c *fullCheck) readBack(ctx context.Context) error {
	c.meter.enter("reading stamps back")
	unit := int64(c.state.SectorBytes)
	last := c.state.SizeBytes - min(pushBytes, c.state.SizeBytes/4/unit*unit)
	read := c.reading()
	if err := c.goOver(ctx, read, last); err != nil {
		return err
	}
	if c.state.Found.Bytes[displaced] == 0 {
		if err := c.push(ctx, 2*last-c.state.SizeBytes, last); err != nil {
			return err
		}
	}
	return c.goOver(ctx, read, c.state.SizeBytes)
}

// push writes a range once more, but for what failed to be written at once.
func (c *fullCheck) push(ctx context.Context, from, to int64) error {
	write := c.writing()
	c.meter.expect(to - from)
	for at := from; at < to; {
		failed := c.state.unwritableFrom(at)
		if end := min(to, failed.OffsetBytes); at < end {
			works, err := c.all(ctx, write, at, end)
			if err != nil {
				return err
			}
			c.state.Found.Wavered = c.state.Found.Wavered || !works
		}
		at = max(at, failed.OffsetBytes+failed.LengthBytes)
	}
	return c.flushAndDrop(to)
}

// begin takes up the state that was left, where the card bears it out, or makes a new one.
func (c *fullCheck) begin(ctx context.Context, left *state) error {
	sector := int64(max(StampBytes, c.card.SectorBytes()))
	size := c.card.SizeBytes() / sector * sector
	goOn, err := false, error(nil)
	if left != nil && left.SizeBytes == size && left.SectorBytes == int(sector) &&
		(c.options.Seed == "" || c.options.Seed == left.Seed) {
		c.state = left // what is known, should the card answer no more
		if goOn, err = c.bearsOut(ctx, left); err != nil {
			return err
		}
	}
	if goOn {
		c.before = left.Seconds
		if c.options.Card.CID != "" {
			c.state.Card = c.options.Card
		}
		c.resumed = left.OffsetBytes
		if left.Phase == reading {
			c.resumed += size
		}
	} else {
		c.state = &state{
			Seed: c.options.seed(), Pass: rand.Uint32(), Card: c.options.Card, SizeBytes: size, SectorBytes: int(sector), Phase: writing,
		}
	}
	c.stamps = NewStamper(c.state.Seed)
	c.meter.expect(2*size - c.resumed)
	return c.save()
}

// save puts the state on the disk.
func (c *fullCheck) save() error {
	c.saved, c.savedAt = time.Now(), c.state.OffsetBytes
	c.state.Seconds = c.before + time.Since(c.began).Seconds()
	return c.file.save(c.state)
}

// writing is the pass that puts stamps on the card.
func (c *fullCheck) writing() *pass {
	return &pass{
		step: StepStamp, move: c.card.WriteAt, rates: &c.state.Write,
		before: func(p []byte, offsetBytes int64) { c.stamps.Fill(p, offsetBytes, c.state.Pass) },
		skip:   func(int64) int64 { return 0 },
		failed: c.state.unwritable,
	}
}

// reading is the pass that reads them back.
func (c *fullCheck) reading() *pass {
	known := recogniser{
		stamps: c.stamps, pass: c.state.Pass, sizeBytes: c.state.SizeBytes, sectorBytes: c.state.SectorBytes,
	}
	return &pass{
		step: StepCompare, move: c.card.ReadAt, rates: &c.state.Read,
		after: func(p []byte, offsetBytes int64) { known.block(p, offsetBytes, &c.state.Found) },
		skip:  c.skipUnwritable,
		failed: func(from, to int64) {
			c.state.Found.bad(Range{from, to - from, Unreadable, -1})
		},
	}
}

// skipUnwritable notes what failed to be written from a place on, and tells how much that is.
func (c *fullCheck) skipUnwritable(offsetBytes int64) int64 {
	r := c.state.unwritableFrom(offsetBytes)
	if !r.covers(offsetBytes) {
		return 0
	}
	c.aside.wait()
	r.LengthBytes -= offsetBytes - r.OffsetBytes
	r.OffsetBytes = offsetBytes
	c.state.Found.bad(r)
	c.meter.expect(-r.LengthBytes)
	return r.LengthBytes
}

// dropCache makes reads come from the medium.
func (c *fullCheck) dropCache() error {
	if err := dropCache(c.card); err != nil {
		return failure(StepCompare, span{}, err)
	}
	return nil
}

// result tells what is known.
func (c *fullCheck) result(verdict Verdict, trueBytes int64) *Result {
	s := c.state
	r := &Result{
		ClaimedBytes: c.card.SizeBytes(), Verdict: verdict, Mode: ModeFull, BadRanges: s.Found.list(), MissingFraction: MissingFraction,
		RangesLeftOut: s.Found.LeftOut, Seed: s.Seed, ResumedAtBytes: c.resumed,
		Write: s.Write.figures(c.card.Direct()), Read: s.Read.figures(c.card.Direct()),
		WriteTrace: s.Write.trace(s.SizeBytes), ReadTrace: s.Read.trace(s.SizeBytes),
		Seconds: c.before + time.Since(c.began).Seconds(),
	}
	if verdict == True {
		trueBytes = r.ClaimedBytes
	}
	if trueBytes >= 0 {
		r.TrueBytes = &trueBytes
	}
	return r
}
