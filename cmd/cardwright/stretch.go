package main

import (
	"time"

	"cardwright/flash"
)

// A stretch is one step of a card as it was looked at lately.
type stretch struct {
	step  flash.Step
	looks []look // the latest of this step, the oldest first
}

// A look is how far a step was at a time.
type look struct {
	at    time.Time
	bytes int64
	flash.Progress
}

// rateOver is how far back the present rate looks: over several blocks even of a slow card.
const rateOver = 3 * time.Second

// see adds a look, and says whether it is the first of its step. How much of a packed source was read, only who reads it knows.
func (s *stretch) see(now time.Time, p flash.Progress, packedRead func() int64) (changed bool) {
	l := look{at: now, Progress: p}
	changed = l.Step != s.step
	if changed {
		s.step, s.looks = l.Step, nil
	}
	switch l.Step {
	case flash.StepSource:
		l.bytes = packedRead()
	case flash.StepProof, flash.StepInspect, flash.StepRecord:
		l.bytes = l.ProvenBytes
	default:
		l.bytes = l.WrittenBytes
	}
	s.looks = append(s.looks, l)
	for len(s.looks) > 2 && now.Sub(s.looks[1].at) >= rateOver {
		s.looks = s.looks[1:]
	}
	return changed
}

// last is the latest look.
func (s *stretch) last() look { return s.looks[len(s.looks)-1] }

// rateNow is the rate of this step lately, in bytes per second; 0 before it can be told.
func (s *stretch) rateNow() float64 {
	first, last := s.looks[0], s.last()
	seconds := last.at.Sub(first.at).Seconds()
	if seconds <= 0 {
		return 0
	}
	return float64(last.bytes-first.bytes) / seconds
}

// sustained is the card's sustained write rate so far, in bytes per second; 0 outside of writing.
func (s *stretch) sustained() float64 {
	l := s.last()
	if s.step != flash.StepBody || l.Busy <= 0 {
		return 0
	}
	return float64(l.WrittenBytes) / l.Busy.Seconds()
}

// measures tells whether the step is one whose bytes are counted.
func (s *stretch) measures() bool {
	return s.step == flash.StepSource || s.step == flash.StepBody || s.step == flash.StepProof
}
