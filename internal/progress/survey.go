package progress

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"cardwright/internal/capacity"
	"cardwright/internal/report"
)

// A Survey is one card's progress as it was looked at lately, while its size is checked.
type Survey struct {
	nameplate
	meter *capacity.Meter
	seen  capacity.Progress
}

// NewSurvey follows the check of the card of that name, which is shown as it stands, by its meter.
func NewSurvey(name string, meter *capacity.Meter) *Survey {
	return &Survey{nameplate: nameplate{name: name}, meter: meter}
}

// look samples the meter, and says whether the check is in another phase than at the last look.
func (s *Survey) look(time.Time) (changed bool) {
	before := s.seen.Phase
	s.seen = s.meter.Look()
	return s.seen.Phase != before
}

// ended: its meter knows no end, and nothing comes behind the check.
func (s *Survey) ended() bool { return false }

func (s *Survey) done() int64   { return s.seen.DoneBytes }
func (s *Survey) total() int64  { return s.seen.TotalBytes }
func (s *Survey) doing() string { return firstWord(s.phase()) }

// phase is what the check is at, in words.
func (s *Survey) phase() string { return cmp.Or(s.seen.Phase, "waiting") }

// inShort is how much is done and how fast.
func (s *Survey) inShort() string {
	text := amountInShort(s.seen.DoneBytes, s.seen.TotalBytes)
	if s.seen.BytesPerSecond > 0 {
		text += " " + report.Rate(s.seen.BytesPerSecond)
	}
	if left, known := s.left(); known {
		text += " " + Clock(left) + " left"
	}
	return text
}

// String tells the check's progress in one line.
func (s *Survey) String() string {
	parts := []string{s.phase()}
	if s.seen.TotalBytes > 0 {
		done := min(s.seen.DoneBytes, s.seen.TotalBytes)
		parts = append(parts, fmt.Sprintf("%s of %s (%d %%)", report.Size(done), report.Size(s.seen.TotalBytes), percent(done, s.seen.TotalBytes)))
	}
	if s.seen.BytesPerSecond > 0 {
		parts = append(parts, report.Rate(s.seen.BytesPerSecond)+" now")
	}
	if left, known := s.left(); known {
		parts = append(parts, Clock(left)+" left")
	}
	return strings.Join(parts, ", ")
}

// left is how long the check will still take at the phase's rate.
func (s *Survey) left() (left time.Duration, known bool) {
	return timeFor(s.seen.TotalBytes-s.seen.DoneBytes, s.seen.BytesPerSecond)
}

// firstWord is what a bar has room for.
func firstWord(text string) string {
	word, _, _ := strings.Cut(text, " ")
	return word
}
