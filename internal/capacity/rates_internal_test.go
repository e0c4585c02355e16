package capacity // blocks of a terabyte, which no test writes

import (
	"math"
	"testing"
	"time"

	"cardwright/flash"
)

// TestRatesOfALargeCardStaySmall adds up a card of 1 TB that is fast for 300 GB and stalls now and then. The sums are done by hand.
func TestRatesOfALargeCardStaySmall(t *testing.T) {
	const size, fast = int64(1e12) / flash.BlockBytes * flash.BlockBytes, int64(300e9) / flash.BlockBytes * flash.BlockBytes
	var r rates
	quick, slow, stall := 50*time.Millisecond, 200*time.Millisecond, 3*time.Second
	var busy time.Duration
	for at := int64(0); at < size; at += flash.BlockBytes {
		took := quick
		if at >= fast {
			took = slow
		}
		if at%(size/10) < flash.BlockBytes {
			took += stall
		}
		busy += took
		r.moved(at, flash.BlockBytes, took, size)
	}
	r.flushed(size, stall)
	busy += stall
	if !r.sound(size) || len(r.Samples) > mostSamples || len(r.Parts) > mostParts {
		t.Fatalf("%d samples and %d parts, sound %v", len(r.Samples), len(r.Parts), r.sound(size))
	}
	f := r.figures(true)
	if want := float64(size) / busy.Seconds(); f.Bytes != size || math.Abs(f.SustainedBytesPerSecond-want) > want/1e6 {
		t.Errorf("%d bytes at %.0f B/s; want %d at %.0f", f.Bytes, f.SustainedBytesPerSecond, size, want)
	}
	if len(f.Stalls) < 10 || len(f.Stalls) > 12 {
		t.Errorf("%d stalls; want one in each tenth and the flush", len(f.Stalls))
	}
	if c := f.Cliff; c == nil || c.OffsetBytes-fast > r.SpanBytes || fast-c.OffsetBytes > r.SpanBytes ||
		math.Abs(c.BeforeBytesPerSecond*quick.Seconds()/flash.BlockBytes-1) > 0.01 ||
		math.Abs(c.AfterBytesPerSecond*slow.Seconds()/flash.BlockBytes-1) > 0.01 {
		t.Errorf("cliff %+v; want one at %d within %d", c, fast, r.SpanBytes)
	}
	if parts := r.trace(size); len(parts) != mostParts || math.Abs(parts[99].BytesPerSecond*slow.Seconds()/flash.BlockBytes-1) > 0.02 {
		t.Errorf("%d parts, the last %+v", len(parts), parts[len(parts)-1])
	}
}
