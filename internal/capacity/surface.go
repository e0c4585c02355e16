package capacity

import (
	"context"
	"errors"
	"io"
	"time"

	"cardwright/flash"
)

const (
	// mostSectorBytes is the largest sector there is.
	mostSectorBytes = flash.AlignBytes
	// failuresInARow is after how many blocks without a working sector a pass looks ahead, since each may cost minutes.
	failuresInARow = 3
	// saveEveryBytes and saveEvery are when the card is flushed and the state saved, whichever comes first.
	saveEveryBytes = 256 << 20
	saveEvery      = 10 * time.Second
)

// A pass goes once over the surface: it writes or it reads.
type pass struct {
	step   flash.Step
	move   func(p []byte, offsetBytes int64) (int, error)
	before func(p []byte, offsetBytes int64) // makes what is moved; works aside, while another block is moved
	after  func(p []byte, offsetBytes int64) // looks at what was moved; works aside too
	skip   func(offsetBytes int64) int64     // how much is left out from a place on
	failed func(fromBytes, toBytes int64)
	rates  *rates
}

// An aside is work that goes on while the card is at something else. Whoever starts it waits for it.
type aside struct{ done chan struct{} }

func (a *aside) start(work func()) {
	a.wait()
	a.done = make(chan struct{})
	go func() {
		defer close(a.done)
		work()
	}()
}

func (a *aside) wait() {
	if a.done != nil {
		<-a.done
		a.done = nil
	}
}

// goOver carries a pass out, from where the state is to a place. A call that fails makes a bad range, but for one of a card that
// answers no more. Errors are *flash.Error, the context's cause, and those of the state file.
func (c *fullCheck) goOver(ctx context.Context, p *pass, until int64) error {
	defer c.aside.wait()
	at, failures := c.state.OffsetBytes, 0
	for at < until {
		if err := c.pause(ctx, p, at); err != nil {
			return err
		}
		if skipped := p.skip(at); skipped > 0 {
			at += skipped
			continue
		}
		to := min(c.blockEnd(at), until)
		buffer := c.ready(p, at, to)
		began := time.Now()
		err := move(p, buffer, at)
		busy := time.Since(began)
		c.aside.wait()
		switch {
		case err == nil:
			p.rates.moved(at, len(buffer), busy, c.state.SizeBytes)
			c.look(p, buffer, at)
			failures = 0
		case isOver(err), p.before != nil && at == 0 && errors.Is(err, flash.ErrReadOnly):
			return failure(p.step, span{at, to - at}, err)
		default:
			whole, err := c.around(ctx, p, failingRun{at, to}, failures > 0)
			if ctx.Err() != nil && !isOver(err) && err != nil {
				continue // nothing of the block is noted yet
			}
			if err != nil {
				return err
			}
			if failures++; !whole {
				failures = 0
			}
		}
		c.meter.moved(int(to - at))
		if at = to; failures == failuresInARow {
			ahead, err := c.lookAhead(ctx, p, at)
			if ctx.Err() != nil && !isOver(err) && err != nil {
				continue
			}
			if err != nil {
				return err
			}
			at, failures = ahead, 0
		}
	}
	return c.settle(p, at)
}

// pause saves the state now and then, and where the context ends.
func (c *fullCheck) pause(ctx context.Context, p *pass, offsetBytes int64) error {
	if ctx.Err() != nil {
		if err := c.settle(p, offsetBytes); err != nil {
			return err
		}
		return context.Cause(ctx)
	}
	if c.file.name != "" && (offsetBytes-c.savedAt >= saveEveryBytes || time.Since(c.saved) >= saveEvery) {
		return c.settle(p, offsetBytes)
	}
	return nil
}

// settle makes all before a place last, on the card and in the state.
func (c *fullCheck) settle(p *pass, offsetBytes int64) error {
	c.aside.wait()
	if c.state.Phase == writing {
		began := time.Now()
		if err := c.card.Flush(); err != nil {
			return failure(p.step, span{offsetBytes: offsetBytes}, err)
		}
		p.rates.flushed(offsetBytes, time.Since(began))
	}
	c.state.OffsetBytes = offsetBytes
	return c.save()
}

// blockEnd is where the block from a place on ends: at the next place that is skipped, or the surface's end.
func (c *fullCheck) blockEnd(offsetBytes int64) int64 {
	end := min(offsetBytes+flash.BlockBytes, c.state.SizeBytes)
	if c.state.Phase == reading {
		end = min(end, c.state.unwritableFrom(offsetBytes).OffsetBytes)
	}
	return end
}

// ready gives the buffer of a block, with what is written there. Two buffers take turns.
func (c *fullCheck) ready(p *pass, offsetBytes, toBytes int64) []byte {
	c.turn = 1 - c.turn
	buffer := c.buffers[c.turn][:toBytes-offsetBytes]
	if p.before == nil {
		return buffer
	}
	c.aside.wait()
	if c.madeFor != offsetBytes {
		p.before(buffer, offsetBytes)
	}
	if next := min(toBytes+flash.BlockBytes, c.state.SizeBytes); next > toBytes {
		ahead := c.buffers[1-c.turn][:next-toBytes]
		c.madeFor = toBytes
		c.aside.start(func() { p.before(ahead, toBytes) })
	}
	return buffer
}

// look looks at a block that was moved, while the next one is.
func (c *fullCheck) look(p *pass, block []byte, offsetBytes int64) {
	if p.after != nil {
		c.aside.start(func() { p.after(block, offsetBytes) })
	}
}

// move moves a piece in one call.
func move(p *pass, piece []byte, offsetBytes int64) error {
	n, err := p.move(piece, offsetBytes)
	if err == nil && n < len(piece) {
		return io.ErrShortWrite
	}
	return err
}
