package cardlab

import (
	"syscall"
	"time"

	"cardwright/flash"
)

// A run is one operation under way. What becomes of it is settled when it begins, so that requests which the kernel
// sends at once are counted in the order of their arrival.
type run struct {
	card  *Card
	op    Op
	power chan struct{} // the card's when the run began
	take  int           // how many bytes the card takes or gives
	keep  int           // writes: how many of those it does not forget
	err   error         // what stops it after take bytes
	hangs bool          // instead of returning
	cost  time.Duration
	until time.Time // when it should be done
	moved int       // take, once it happened
}

// begin counts an operation and settles what becomes of it.
func (c *Card) begin(op Op) *run {
	c.mu.Lock()
	defer c.mu.Unlock()
	op.Number = c.counts.Operations
	c.counts.Operations++
	if op.Kind == OpFlush {
		c.counts.Flushes++
	}
	if op.Kind == OpWrite || op.Kind == OpDiscard {
		c.asked.add(Span{op.OffsetBytes, int64(op.LengthBytes)})
	}
	r := &run{card: c, op: op, power: c.power, take: op.LengthBytes, keep: op.LengthBytes}
	c.wearOut()
	r.fault(c.inject(op))
	r.limit()
	if op.Kind == OpWrite {
		c.counts.WrittenBytes += int64(r.take)
		c.written.add(Span{op.OffsetBytes, int64(r.take)})
	}
	if op.Kind == OpRead {
		c.counts.ReadBytes += int64(r.take)
	}
	if r.take > 0 || r.err == nil {
		r.cost = c.cost(r)
	}
	r.until = c.clock.reserve(time.Now(), r.cost)
	return r
}

// do lets the operation take its time, then happen, and gives its error.
func (r *run) do(happen func()) error {
	if !r.wait() {
		return &Error{r.op, flash.ErrGone}
	}
	r.card.mu.Lock()
	if r.power != r.card.power { // pulled and plugged in again meanwhile
		r.card.mu.Unlock()
		return &Error{r.op, flash.ErrGone}
	}
	happen()
	r.moved = r.take
	r.card.clock.end(time.Now(), r.cost)
	r.card.mu.Unlock()
	if r.hangs {
		<-r.power
	}
	if r.err != nil {
		return &Error{r.op, r.err}
	}
	return nil
}

// wait returns when the operation should be done, or false at once when the card is pulled.
func (r *run) wait() bool {
	pause := time.Until(r.until)
	if pause <= 0 {
		return true
	}
	timer := time.NewTimer(pause)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-r.power:
		return false
	}
}

// stop ends the run after so many bytes, unless something stops it earlier.
func (r *run) stop(takeBytes int, err error, hangs bool) {
	if takeBytes > r.take || takeBytes == r.take && r.err != nil {
		return
	}
	r.take, r.err, r.hangs = takeBytes, err, hangs
	r.keep = min(r.keep, takeBytes)
}

// fault applies what a test injected. A card that is gone or silent anyway comes first.
func (r *run) fault(fault Fault) {
	c := r.card
	if c.state == answering {
		switch fault {
		case FaultGone:
			c.state = gone
		case FaultHang:
			c.state = silent
		case FaultReadOnly:
			c.worn = true
		case FaultError:
			r.stop(0, syscall.EIO, false)
		case FaultShort:
			r.stop(r.op.LengthBytes/2/c.traits.SectorBytes*c.traits.SectorBytes, syscall.EIO, false)
		case FaultNone:
		}
	}
	switch c.state {
	case gone:
		r.stop(0, flash.ErrGone, false)
	case silent:
		r.stop(0, flash.ErrGone, true)
	case answering:
	}
}

// limit stops the run where the card's traits do.
func (r *run) limit() {
	c, t, op := r.card, r.card.traits, r.op
	whole := Span{op.OffsetBytes, int64(op.LengthBytes)}
	if t.Beyond == Refuse && whole.End() > t.TrueSizeBytes && (op.Kind == OpRead || op.Kind == OpWrite) {
		r.stop(int(max(0, t.TrueSizeBytes-op.OffsetBytes)), syscall.EIO, false)
	}
	for _, bad := range t.Bad {
		hit := overlap(whole, bad.Span)
		if hit.LengthBytes > 0 && (bad.Read && op.Kind == OpRead || bad.Write && op.Kind == OpWrite) {
			before := int(hit.OffsetBytes-op.OffsetBytes) / t.SectorBytes * t.SectorBytes
			r.stop(before, syscall.EIO, false)
		}
	}
	if op.Kind == OpWrite {
		r.limitWear()
		r.limitAfter(t.GoneAfter.WrittenBytes, c.counts.WrittenBytes-c.since.WrittenBytes, gone)
		r.limitAfter(t.SilentAfter.WrittenBytes, c.counts.WrittenBytes-c.since.WrittenBytes, silent)
	}
	if op.Kind == OpRead {
		r.limitAfter(t.GoneAfter.ReadBytes, c.counts.ReadBytes-c.since.ReadBytes, gone)
		r.limitAfter(t.SilentAfter.ReadBytes, c.counts.ReadBytes-c.since.ReadBytes, silent)
	}
}

// limitWear refuses, or forgets, what is written to a card that takes no more.
func (r *run) limitWear() {
	c := r.card
	left := 0
	if !c.worn {
		left = c.sectorsLeft(c.traits.ReadOnlyAfterBytes, c.counts.WrittenBytes, r.op.LengthBytes)
	}
	switch {
	case left == r.op.LengthBytes:
	case c.traits.ReadOnlyDrops:
		r.keep = min(r.keep, left)
	default:
		r.stop(left, flash.ErrReadOnly, false)
	}
}

// limitAfter lets the card vanish or fall silent in the middle of this run.
func (r *run) limitAfter(afterBytes, doneBytes int64, next state) {
	c := r.card
	left := c.sectorsLeft(afterBytes, doneBytes, r.op.LengthBytes)
	if left >= r.take {
		return
	}
	c.state = next
	r.stop(left, flash.ErrGone, next == silent)
}

// sectorsLeft gives how many of lengthBytes still fit under a limit, in whole sectors.
func (c *Card) sectorsLeft(limitBytes, doneBytes int64, lengthBytes int) int {
	if limitBytes == 0 {
		return lengthBytes
	}
	left := max(0, limitBytes-doneBytes) / int64(c.traits.SectorBytes) * int64(c.traits.SectorBytes)
	return int(min(left, int64(lengthBytes)))
}

// wearOut lets an amount that has been reached take effect on every kind of operation: a card that vanished while it was
// written does not answer a flush either.
func (c *Card) wearOut() {
	if c.state != answering {
		return
	}
	written, read := c.counts.WrittenBytes-c.since.WrittenBytes, c.counts.ReadBytes-c.since.ReadBytes
	reached := func(after After) bool {
		return c.sectorsLeft(after.WrittenBytes, written, c.traits.SectorBytes) == 0 ||
			c.sectorsLeft(after.ReadBytes, read, c.traits.SectorBytes) == 0
	}
	switch {
	case reached(c.traits.GoneAfter):
		c.state = gone
	case reached(c.traits.SilentAfter):
		c.state = silent
	}
}

// cost is how long the run takes. It moves the state that costs depend on.
func (c *Card) cost(r *run) time.Duration {
	switch r.op.Kind {
	case OpRead:
		return perByte(int64(r.take), c.traits.ReadBytesPerSecond)
	case OpFlush:
		return c.traits.FlushCost
	case OpDiscard:
		return 0
	case OpWrite:
	}
	t := c.traits
	since := c.counts.WrittenBytes - c.since.WrittenBytes - int64(r.take)
	cached := min(int64(r.take), max(0, t.CacheBytes-since))
	cost := perByte(cached, t.CacheBytesPerSecond) + perByte(int64(r.take)-cached, t.WriteBytesPerSecond)
	if r.take <= SmallWriteBytes && r.op.OffsetBytes != c.nextBytes {
		cost += t.RandomWriteCost
	}
	c.nextBytes = r.op.OffsetBytes + int64(r.take)
	span := Span{r.op.OffsetBytes, int64(r.take)}
	for i, stall := range t.Stalls {
		hit := span.covers(stall.OffsetBytes)
		if stall.EveryBytes > 0 {
			hit = (since+int64(r.take))/stall.EveryBytes > since/stall.EveryBytes
		}
		if hit && !(stall.Once && c.stalled[i]) {
			c.stalled[i] = true
			cost += stall.For
		}
	}
	return cost
}

// perByte is how long so many bytes take at a rate; a rate of 0 takes no time.
func perByte(bytes, bytesPerSecond int64) time.Duration {
	if bytesPerSecond == 0 {
		return 0
	}
	return time.Duration(float64(bytes) / float64(bytesPerSecond) * float64(time.Second))
}
