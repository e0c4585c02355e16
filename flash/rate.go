package flash

import (
	"cmp"
	"math"
	"slices"
	"time"
)

const (
	// WindowBusy is how much busy time a window holds at least.
	WindowBusy = time.Second
	// CliffPartBytes is what each part of a cliff holds at least.
	CliffPartBytes = 64 << 20
	// CliffRatio is the most that the rate after a cliff may be of the rate before it: slower by 30 % or more.
	CliffRatio = 0.7

	stallFactor = 2
	stallExcess = 500 * time.Millisecond
)

// Figures sums up what was measured so far.
func (t *Trace) Figures(direct bool) Figures {
	return SumUp(t.samples, slices.Concat(t.samples, t.flushes), t.busy, direct)
}

// SumUp makes the figures of a run from its samples, in the order of writing, from all its calls that took over half a second, and
// from its busy time, flushes included. A sample may stand for several neighbouring calls, where a long run kept no more.
func SumUp(samples, calls []Sample, busy time.Duration, direct bool) Figures {
	f := Figures{BusySeconds: busy.Seconds(), Direct: direct, Stalls: []Stall{}}
	for _, s := range samples {
		f.Bytes += int64(s.LengthBytes)
	}
	f.SustainedBytesPerSecond = rate(f.Bytes, busy)
	if rates := windowRates(samples); len(rates) > 0 {
		slices.Sort(rates)
		f.WindowLowBytesPerSecond = &rates[0]
		f.WindowP5BytesPerSecond = new(quantile(rates, 0.05))
		f.WindowMedianBytesPerSecond = new(quantile(rates, 0.5))
	}
	stalled := stalls(samples, calls)
	for _, s := range stalled {
		f.Stalls = append(f.Stalls, Stall{s.OffsetBytes, s.Busy.Seconds()})
	}
	f.Cliff = cliff(steady(samples, stalled))
	return f
}

// windowRates cuts the samples, in the order of writing, into windows: the fewest consecutive blocks that took at least
// WindowBusy together. What is left at the end is no window.
func windowRates(samples []Sample) []float64 {
	var rates []float64
	var bytes int64
	var busy time.Duration
	for _, s := range samples {
		bytes += int64(s.LengthBytes)
		busy += s.Busy
		if busy >= WindowBusy {
			rates = append(rates, rate(bytes, busy))
			bytes, busy = 0, 0
		}
	}
	return rates
}

// stalls finds the calls, writes and flushes, that took at least twice the median write and over 500 ms more than it.
func stalls(samples, calls []Sample) []Sample {
	if len(samples) == 0 {
		return nil
	}
	median := medianBusy(samples)
	var found []Sample
	for _, s := range calls {
		if s.Busy >= stallFactor*median && s.Busy > median+stallExcess {
			found = append(found, s)
		}
	}
	slices.SortFunc(found, func(a, b Sample) int { return cmp.Compare(a.Start, b.Start) })
	return found
}

// medianBusy is the median call's time; a sample of several calls counts as one of their mean.
func medianBusy(samples []Sample) time.Duration {
	busy := make([]float64, len(samples))
	for i, s := range samples {
		busy[i] = float64(s.Busy) * min(1, BlockBytes/float64(max(1, s.LengthBytes)))
	}
	slices.Sort(busy)
	return time.Duration(quantile(busy, 0.5))
}

// steady takes the stalled writes out of the samples that hold them.
func steady(samples, stalled []Sample) []Sample {
	var left []Sample
	for _, s := range samples {
		for _, call := range stalled {
			if call.LengthBytes > 0 && call.OffsetBytes >= s.OffsetBytes && call.OffsetBytes < s.OffsetBytes+int64(s.LengthBytes) {
				s.LengthBytes -= call.LengthBytes
				s.Busy -= call.Busy
			}
		}
		if s.LengthBytes > 0 {
			left = append(left, s)
		}
	}
	return left
}

// cliff finds the split of the trace into two parts with the least squared error of seconds per block about each part's
// mean. It is nil unless both parts hold CliffPartBytes and the second is slower by 30 % or more.
func cliff(samples []Sample) *Cliff {
	at, best := -1, math.Inf(1)
	before, after := part{}, part{}
	for _, s := range samples {
		after.move(s, 1)
	}
	for i, s := range samples {
		before.move(s, 1)
		after.move(s, -1)
		if before.bytes < CliffPartBytes || after.bytes < CliffPartBytes {
			continue
		}
		if e := before.squaredError() + after.squaredError(); e < best {
			at, best = i+1, e
		}
	}
	if at < 0 {
		return nil
	}
	first, second := meanRate(samples[:at]), meanRate(samples[at:])
	if second > CliffRatio*first {
		return nil
	}
	return &Cliff{OffsetBytes: samples[at].OffsetBytes, BeforeBytesPerSecond: first, AfterBytesPerSecond: second}
}

// A part is one side of a split, as running sums of seconds per block.
type part struct {
	bytes      int64
	n, sum, sq float64
}

// move adds a sample to the part (sign 1) or takes it out (sign -1). A short block counts as a whole one of its rate.
func (p *part) move(s Sample, sign float64) {
	seconds := s.Busy.Seconds() * BlockBytes / float64(s.LengthBytes)
	p.bytes += int64(sign) * int64(s.LengthBytes)
	p.n += sign
	p.sum += sign * seconds
	p.sq += sign * seconds * seconds
}

func (p *part) squaredError() float64 { return p.sq - p.sum*p.sum/p.n }

func meanRate(samples []Sample) float64 {
	var bytes int64
	var busy time.Duration
	for _, s := range samples {
		bytes += int64(s.LengthBytes)
		busy += s.Busy
	}
	return rate(bytes, busy)
}

// quantile interpolates between the closest ranks of sorted values, which is definition 7 of Hyndman and Fan, "Sample
// Quantiles in Statistical Packages", 1996 (from memory).
func quantile(sorted []float64, q float64) float64 {
	place := q * float64(len(sorted)-1)
	low := int(place)
	high := min(low+1, len(sorted)-1)
	return sorted[low] + (place-float64(low))*(sorted[high]-sorted[low])
}
