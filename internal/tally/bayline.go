package tally

import (
	"fmt"
	"slices"
	"strings"

	"cardwright/flash"
	"cardwright/internal/batch"
	"cardwright/internal/logbook"
	"cardwright/internal/progress"
	"cardwright/internal/report"
)

// A bayLine is what is told of a bay: what stands out, then the rest.
type bayLine struct{ key, rest string }

// String is the line where nothing can stand out.
func (l bayLine) String() string {
	if l.key == "" || l.rest == "" {
		return l.key + l.rest
	}
	return l.key + ": " + l.rest
}

// line tells what a bay is at; a bar fills the room that the figures of a card at work leave. Where no more cards are wanted now, it
// asks for none.
func (b *bayTrack) line(cardBytes int64, room int, wanted bool) bayLine {
	reasons := strings.Join(b.Reasons, "; ")
	switch b.Phase {
	case batch.PhaseEmpty:
		if wanted {
			return bayLine{"SEAT A CARD", ""}
		}
		return bayLine{"", "no card is wanted here now"}
	case batch.PhaseLooking:
		return bayLine{"", "looking at the card in " + b.Device}
	case batch.PhaseRefused:
		return bayLine{"TAKE IT OUT", "refused: " + reasons}
	case batch.PhaseHeld:
		return bayLine{"HELD", reasons}
	case batch.PhaseFinished:
		return b.finishedLine(wanted)
	case batch.PhaseIdle:
		return bayLine{"", "no card is wanted here now"}
	case batch.PhaseWorking:
		if b.atWork() {
			return b.workingLine(cardBytes, room)
		}
	}
	return bayLine{"", string(b.Phase)}
}

// finishedLine tells what to do with a card whose run has ended. A label is for intact cards: that of another may be given again.
func (b *bayTrack) finishedLine(wanted bool) bayLine {
	out := "TAKE IT OUT"
	if wanted {
		out = "SWAP"
	}
	switch {
	case b.Last == nil:
		return bayLine{out, ""}
	case b.Last.Verdict != logbook.Intact:
		return bayLine{"SET ASIDE, NO LABEL", string(b.Last.Verdict) + ": " + b.Last.Reason}
	case b.Last.Pace.IsSlow():
		return bayLine{out + ", IT WAS SLOW", fmt.Sprintf("intact, %s, %s", b.Last.Pace, report.Rate(b.Last.BytesPerSecond))}
	}
	text := "intact"
	if b.Last.BytesPerSecond > 0 {
		text += ", " + report.Rate(b.Last.BytesPerSecond)
	}
	return bayLine{out, text}
}

// workingLine tells how far a card is, how fast, and when it will be done. What is slow stands out.
func (b *bayTrack) workingLine(cardBytes int64, room int) bayLine {
	var share, drawn, rate, sustained, ends string
	if b.Measures() && b.Step() != flash.StepSource && cardBytes > 0 {
		percent := int(100 * min(b.Bytes(), cardBytes) / cardBytes)
		share, drawn = fmt.Sprintf("%d %%", percent), bar(percent, room-barless)
	}
	if b.Left > 0 {
		ends = "done in " + progress.Clock(b.Left)
	}
	if b.isSlow() { // which goes without saying that it is being written
		parts := []string{slowInWords(b.Latest().Pace, b.Sustained()), share, ends}
		return bayLine{"SLOW", joined(", ", parts...)}
	}
	if now := b.RateNow(); b.Measures() && now > 0 {
		rate = report.Rate(now)
	}
	if bytesPerSecond := b.Sustained(); bytesPerSecond > 0 {
		sustained = fmt.Sprintf("(sustained %s)", report.Megabytes(bytesPerSecond))
	}
	return bayLine{"", joined(" ", progress.StepInOneWord(b.Step()), share, drawn, rate, sustained, ends)}
}

// barless is the room that the words beside the bar take at most.
const barless = len("clearing 100 % 99.9 MB/s (sustained 99.9) done in 9:59:59") - 1

// bar draws a share; nothing where there is no room.
func bar(percent, room int) string {
	cells := min(room, 32) - 2
	if cells < 4 {
		return ""
	}
	full := cells * percent / 100
	return "[" + strings.Repeat("#", full) + strings.Repeat(".", cells-full) + "]"
}

// joined puts those words together that are there.
func joined(between string, words ...string) string {
	return strings.Join(slices.DeleteFunc(words, func(w string) bool { return w == "" }), between)
}
