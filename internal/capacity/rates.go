package capacity

import (
	"cmp"
	"slices"
	"time"

	"cardwright/flash"
)

const (
	// mostSamples bounds what is kept of one pass: a sample is one block on cards of up to 16 GiB, and twice as many blocks with each
	// doubling above.
	mostSamples = 4096
	// mostParts is how many equal parts of the surface a trace tells apart.
	mostParts = 100
	// longCall is from when on a call may be a stall, as a flash defines it, and mostLongCalls how many of the longest are kept.
	longCall      = 500 * time.Millisecond
	mostLongCalls = 100
)

// A lap is how long so many bytes at a place took: offset, bytes, nanoseconds. An array, so that many of them make a small file.
type lap [3]int64

func (l lap) sample(start time.Duration) flash.Sample {
	return flash.Sample{OffsetBytes: l[0], LengthBytes: int(l[1]), Start: start, Busy: time.Duration(l[2])}
}

// rates are what one pass over the surface measured so far, in bounded memory. Only blocks that went through at once count.
type rates struct {
	SpanBytes int64 // what one sample stands for at the most; 0 before the first
	Samples   []lap // at most mostSamples, in order
	Parts     []lap // at most mostParts, in order
	Long      []lap // the longest calls, a flush with no bytes; at most mostLongCalls, the longest first
	BusyNanos int64
}

// moved adds a block. Blocks come in ascending order of their places.
func (r *rates) moved(offsetBytes int64, n int, busy time.Duration, sizeBytes int64) {
	block := lap{offsetBytes, int64(n), int64(busy)}
	if r.SpanBytes == 0 {
		r.SpanBytes = flash.BlockBytes
	}
	r.Samples = joinLaps(append(r.Samples, block), r.SpanBytes)
	if len(r.Samples) > mostSamples {
		r.SpanBytes *= 2
		r.Samples = joinAll(r.Samples, r.SpanBytes)
	}
	r.Parts = joinLaps(append(r.Parts, block), partBytes(sizeBytes))
	r.called(block)
}

// flushed adds a flush.
func (r *rates) flushed(offsetBytes int64, busy time.Duration) {
	r.called(lap{offsetBytes, 0, int64(busy)})
}

func (r *rates) called(call lap) {
	r.BusyNanos += call[2]
	if time.Duration(call[2]) <= longCall {
		return
	}
	at, _ := slices.BinarySearchFunc(r.Long, call, func(have, call lap) int { return cmp.Compare(call[2], have[2]) })
	r.Long = slices.Insert(r.Long, at, call)
	r.Long = r.Long[:min(len(r.Long), mostLongCalls)]
}

// joinLaps makes one lap of the last two where they lie in the same span.
func joinLaps(laps []lap, spanBytes int64) []lap {
	n := len(laps)
	if n < 2 || laps[n-2][0]/spanBytes != laps[n-1][0]/spanBytes {
		return laps
	}
	laps[n-2][1] += laps[n-1][1]
	laps[n-2][2] += laps[n-1][2]
	return laps[:n-1]
}

func joinAll(laps []lap, spanBytes int64) []lap {
	var joined []lap
	for _, l := range laps {
		joined = joinLaps(append(joined, l), spanBytes)
	}
	return joined
}

// partBytes is how much one part of a trace is: whole blocks.
func partBytes(sizeBytes int64) int64 {
	const unit = mostParts * flash.BlockBytes
	return max(1, (sizeBytes+unit-1)/unit) * flash.BlockBytes
}

// figures sums up; nil where nothing was moved.
func (r *rates) figures(direct bool) *flash.Figures {
	if len(r.Samples) == 0 {
		return nil
	}
	var samples, calls []flash.Sample
	var start time.Duration
	for _, l := range r.Samples {
		samples = append(samples, l.sample(start))
		start += time.Duration(l[2])
	}
	for _, l := range r.Long {
		calls = append(calls, l.sample(time.Duration(l[0]))) // in the order of their places
	}
	return new(flash.SumUp(samples, calls, time.Duration(r.BusyNanos), direct))
}

// trace gives one rate per part.
func (r *rates) trace(sizeBytes int64) []Part {
	parts := []Part{}
	for _, l := range r.Parts {
		if l[2] > 0 {
			part := partBytes(sizeBytes)
			parts = append(parts, Part{l[0] / part * part, float64(l[1]) / time.Duration(l[2]).Seconds()})
		}
	}
	return parts
}

// sound tells whether rates that were read from a file can be of a card of that size.
func (r *rates) sound(sizeBytes int64) bool {
	if r.BusyNanos < 0 || r.SpanBytes < 0 || r.SpanBytes%flash.BlockBytes != 0 || r.SpanBytes == 0 && len(r.Samples) > 0 ||
		len(r.Samples) > mostSamples || len(r.Parts) > mostParts || len(r.Long) > mostLongCalls {
		return false
	}
	for _, laps := range [][]lap{r.Samples, r.Parts, r.Long} {
		for _, l := range laps {
			if l[0] < 0 || l[1] < 0 || l[2] < 0 || l[0] > sizeBytes || l[1] > sizeBytes-l[0] {
				return false
			}
		}
	}
	ascending := func(a, b lap) int { return cmp.Compare(a[0], b[0]) }
	holding := func(l lap) bool { return l[1] == 0 }
	return slices.IsSortedFunc(r.Samples, ascending) && slices.IsSortedFunc(r.Parts, ascending) &&
		!slices.ContainsFunc(slices.Concat(r.Samples, r.Parts), holding)
}
