package flash

import "time"

// A Trace is the record of one card's writing: a Sample per block in the order of writing, and what each flush cost. It
// keeps the card's busy time and its time to flash. One goroutine writes it.
type Trace struct {
	samples []Sample
	flushes []Sample // LengthBytes 0
	bytes   int64
	busy    time.Duration
	begun   time.Time     // when the first byte of the image went to the card
	spans   time.Duration // the lengths of the spans of writing that have ended
	since   time.Time     // when the present span of writing began; zero between spans
}

// Samples gives one sample per block written, in the order of writing.
func (t *Trace) Samples() []Sample { return t.samples }

// Begun tells when the first byte of the image went to the card; zero before.
func (t *Trace) Begun() time.Time { return t.begun }

// TimeToFlash is the time from the first byte written to the return of the last flush, the proof between body and head
// excluded.
func (t *Trace) TimeToFlash() time.Duration {
	if t.since.IsZero() {
		return t.spans
	}
	return t.spans + time.Since(t.since)
}

// SourceWait is the part of TimeToFlash in which no write or flush was under way.
func (t *Trace) SourceWait() time.Duration { return max(0, t.TimeToFlash()-t.busy) }

// SourceWasTheLimit tells whether the source wait exceeds a tenth of the time to flash: the card rested.
func (t *Trace) SourceWasTheLimit() bool { return t.SourceWait()*10 > t.TimeToFlash() }

// BytesPerSecond is the sustained write rate so far: bytes by busy time.
func (t *Trace) BytesPerSecond() float64 { return rate(t.bytes, t.busy) }

// open begins a span of writing.
func (t *Trace) open() {
	t.since = time.Now()
	if t.begun.IsZero() {
		t.begun = t.since
	}
}

// close ends a span of writing.
func (t *Trace) close() {
	if !t.since.IsZero() {
		t.spans += time.Since(t.since)
		t.since = time.Time{}
	}
}

// wrote adds a block's write, or a further part of the block that came last.
func (t *Trace) wrote(offsetBytes int64, n int, began time.Time, busy time.Duration) {
	t.bytes += int64(n)
	t.busy += busy
	if last := len(t.samples) - 1; last >= 0 && t.samples[last].OffsetBytes/BlockBytes == offsetBytes/BlockBytes {
		s := &t.samples[last]
		s.OffsetBytes = min(s.OffsetBytes, offsetBytes)
		s.LengthBytes += n
		s.Busy += busy
		return
	}
	t.samples = append(t.samples, Sample{offsetBytes, n, began.Sub(t.begun), busy})
}

func (t *Trace) flushed(offsetBytes int64, began time.Time, busy time.Duration) {
	t.busy += busy
	t.flushes = append(t.flushes, Sample{offsetBytes, 0, began.Sub(t.begun), busy})
}

func rate(bytes int64, busy time.Duration) float64 {
	if busy <= 0 {
		return 0
	}
	return float64(bytes) / busy.Seconds()
}
