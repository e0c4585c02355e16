package progress

import (
	"time"

	"cardwright/flash"
)

// A Stretch is one step of a card as it was looked at lately. The zero value is of a card that was not looked at yet; of the methods,
// only See and WasSeen may be called then. One goroutine at a time calls them.
type Stretch struct {
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

// See adds a look, and says whether it is the first of its step. How much of a packed source was read, in bytes, only who reads it
// knows: packedRead is asked where the step is about that.
func (s *Stretch) See(now time.Time, p flash.Progress, packedRead func() int64) (changed bool) {
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

// WasSeen tells whether there is a look.
func (s *Stretch) WasSeen() bool { return len(s.looks) > 0 }

// Step is the step that the card is at.
func (s *Stretch) Step() flash.Step { return s.step }

// Latest is what the meter told at the latest look.
func (s *Stretch) Latest() flash.Progress { return s.last().Progress }

// Bytes is how far the step was at the latest look, in bytes of what it is about: of the packed source where that is read, of the image
// else.
func (s *Stretch) Bytes() int64 { return s.last().bytes }

func (s *Stretch) last() look { return s.looks[len(s.looks)-1] }

// RateNow is the rate of this step lately, in bytes per second; 0 before it can be told.
func (s *Stretch) RateNow() float64 {
	first, last := s.looks[0], s.last()
	seconds := last.at.Sub(first.at).Seconds()
	if seconds <= 0 {
		return 0
	}
	return float64(last.bytes-first.bytes) / seconds
}

// Sustained is the card's sustained write rate so far, in bytes per second; 0 outside of writing.
func (s *Stretch) Sustained() float64 {
	l := s.last()
	if s.step != flash.StepBody || l.Busy <= 0 {
		return 0
	}
	return float64(l.WrittenBytes) / l.Busy.Seconds()
}

// Measures tells whether the step is one whose bytes are counted.
func (s *Stretch) Measures() bool {
	return s.step == flash.StepSource || s.step == flash.StepBody || s.step == flash.StepProof
}
