package batch

import (
	"sync"
	"time"

	"cardwright/flash"
)

// A pacer estimates how long a bay's card will still take: from its own rate, and from how long the steps that are to come took
// with the card before it.
type pacer struct {
	mu      sync.Mutex // guards all
	step    flash.Step // of the card at work
	entered time.Time  // when it came into that step
	proven  int64      // bytes, when it did
	proving time.Time  // when its proof began
	proved  time.Time  // when its proof ended

	proof time.Duration // of the last card that came to its end here; 0 where none did
	after time.Duration // from the proof's end to the run's, of that card
}

// begin forgets the card before, but for what it tells of the next.
func (p *pacer) begin() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.step, p.proving, p.proved = "", time.Time{}, time.Time{}
}

// saw notes how far the card at work is.
func (p *pacer) saw(look flash.Progress, now time.Time) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if look.Step == p.step {
		return
	}
	switch {
	case look.Step == flash.StepProof:
		p.proving = now
	case p.step == flash.StepProof:
		p.proved = now
	}
	p.step, p.entered, p.proven = look.Step, now, look.ProvenBytes
}

// ended notes that the card at work came to its end.
func (p *pacer) ended(now time.Time) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.proving.IsZero() && !p.proved.IsZero() {
		p.proof, p.after = p.proved.Sub(p.proving), now.Sub(p.proved)
	}
}

// left is how long the card at work will take; 0 where that cannot be told yet.
func (p *pacer) left(look flash.Progress, imageBytes int64, now time.Time) time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch done := look.ProvenBytes - p.proven; {
	case p.step != look.Step:
		return 0 // it came into the step just now
	case p.step == flash.StepBody && look.WrittenBytes > 0 && p.proof > 0:
		rest := float64(imageBytes-look.WrittenBytes) / float64(look.WrittenBytes)
		return time.Duration(rest*float64(look.Busy)) + p.proof + p.after
	case p.step == flash.StepProof && done > 0:
		rest := float64(imageBytes-look.ProvenBytes) / float64(done)
		return time.Duration(rest*float64(now.Sub(p.entered))) + p.after
	case !p.proved.IsZero():
		return max(0, p.after-now.Sub(p.proved))
	}
	return 0
}
