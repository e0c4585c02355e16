package main

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"cardwright/internal/capacity"
	"cardwright/internal/report"
)

// A survey is one card's progress as it was looked at lately, while its size is checked.
type survey struct {
	nameplate
	meter *capacity.Meter
	capacity.Progress
}

// look samples the meter, and says whether the check is in another phase than at the last look.
func (s *survey) look(time.Time) (changed bool) {
	before := s.Phase
	s.Progress = s.meter.Look()
	return s.Phase != before
}

// ended: its meter knows no end, and nothing comes behind the check.
func (s *survey) ended() bool { return false }

func (s *survey) done() int64   { return s.DoneBytes }
func (s *survey) total() int64  { return s.TotalBytes }
func (s *survey) doing() string { return firstWord(s.phase()) }

// phase is what the check is at, in words.
func (s *survey) phase() string { return cmp.Or(s.Phase, "waiting") }

// inShort is how much is done and how fast.
func (s *survey) inShort() string {
	text := amountInShort(s.DoneBytes, s.TotalBytes)
	if s.BytesPerSecond > 0 {
		text += " " + report.Rate(s.BytesPerSecond)
	}
	if left, known := s.left(); known {
		text += " " + clock(left) + " left"
	}
	return text
}

// String tells the check's progress in one line.
func (s *survey) String() string {
	parts := []string{s.phase()}
	if s.TotalBytes > 0 {
		done := min(s.DoneBytes, s.TotalBytes)
		parts = append(parts, fmt.Sprintf("%s of %s (%d %%)", report.Size(done), report.Size(s.TotalBytes), percent(done, s.TotalBytes)))
	}
	if s.BytesPerSecond > 0 {
		parts = append(parts, report.Rate(s.BytesPerSecond)+" now")
	}
	if left, known := s.left(); known {
		parts = append(parts, clock(left)+" left")
	}
	return strings.Join(parts, ", ")
}

// left is how long the check will still take at the phase's rate.
func (s *survey) left() (left time.Duration, known bool) {
	rest := s.TotalBytes - s.DoneBytes
	if rest <= 0 || s.BytesPerSecond <= 0 {
		return 0, false
	}
	return time.Duration(float64(rest) / s.BytesPerSecond * float64(time.Second)), true
}

// percent is computed so that no card is too large for it.
func percent(done, total int64) int64 { return int64(100 * float64(done) / float64(total)) }

// firstWord is what a bar has room for.
func firstWord(text string) string {
	word, _, _ := strings.Cut(text, " ")
	return word
}
