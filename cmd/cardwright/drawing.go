package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"cardwright/flash"
	"cardwright/internal/batch"
	"cardwright/internal/logbook"
	"cardwright/internal/report"
)

// A drawing makes the block of lines that shows the bays at a time.
type drawing struct {
	now     time.Time
	columns int
}

// block shows the score, each bay, what the hands do next, and where something is to be typed what was typed so far.
func (d drawing) block(bays []*bayTrack, s score, typed string) []string {
	lines := []string{report.Cut(s.inWords(d.now), d.columns)}
	held := false
	for _, b := range bays {
		held = held || b.Phase == batch.PhaseHeld
		lines = append(lines, d.bay(b, s.imageBytes))
	}
	lines = append(lines, report.Cut(report.Printable(nextForHands(bays)), d.columns))
	if held || typed != "" {
		lines = append(lines, report.Cut("Name of a held bay, and Enter: "+typed, d.columns))
	}
	return lines
}

// inWords tells how far a batch is.
func (s score) inWords(now time.Time) string {
	if s.begunAt.IsZero() {
		return "The batch begins."
	}
	words := []string{fmt.Sprintf("%d intact", s.intact)}
	for _, part := range []struct {
		n    int
		word string
	}{{s.failed, "FAILED"}, {s.slow, "slow"}, {s.before, "done before"}} {
		if part.n > 0 {
			words = append(words, fmt.Sprintf("%d %s", part.n, part.word))
		}
	}
	if s.wanted > 0 {
		words = append(words, fmt.Sprintf("%d to go", max(s.wanted-s.before-s.intact, 0)))
	}
	return strings.Join(words, ", ") + "; " + clock(now.Sub(s.begunAt)) + " so far"
}

// A bayLine is what is told of a bay: what stands out, then the rest.
type bayLine struct{ key, rest string }

// standingOut marks a text by more than a colour. The marks are SGR 1, 7 and 0 of ECMA-48.
func standingOut(text string) string {
	if text == "" {
		return ""
	}
	return "\x1b[1;7m" + text + "\x1b[0m"
}

// bay draws one bay's line.
func (d drawing) bay(b *bayTrack, imageBytes int64) string {
	card := b.Label
	if card == "" && b.Number > 0 {
		card = cardInWords("", b.Number)
	}
	if b.Phase == batch.PhaseEmpty {
		card = "" // the label is that of the card before
	}
	head := named(b.Bay, bayColumns) + named(card, labelColumns-1)
	head = report.Cut(head, d.columns)
	room := max(d.columns-report.Columns(head), 0)
	if room < 2 { // not even the dots of what is cut
		return head
	}
	line := b.line(imageBytes, room)
	key := report.Cut(report.Printable(line.key), room)
	room -= report.Columns(key)
	rest := ""
	if line.rest != "" && room > 1 {
		rest = report.Cut(report.Printable(line.rest), room-1)
		if key != "" {
			rest = " " + rest
		}
	}
	return strings.TrimRight(head+standingOut(key)+rest, " ")
}

// named is a name in a column.
func named(name string, columns int) string {
	return report.Padded(report.Shortened(report.Printable(name), columns-1), columns)
}

// line tells what a bay is at; a bar fills the room that the figures of a card at work leave.
func (b *bayTrack) line(imageBytes int64, room int) bayLine {
	reasons := strings.Join(b.Reasons, "; ")
	switch b.Phase {
	case batch.PhaseEmpty:
		return bayLine{"SEAT A CARD", ""}
	case batch.PhaseLooking:
		return bayLine{"", "looking at the card in " + b.Device}
	case batch.PhaseRefused:
		return bayLine{"TAKE IT OUT", "refused: " + reasons}
	case batch.PhaseHeld:
		return bayLine{fmt.Sprintf("HELD: type %s to overwrite it", b.Bay), "- " + reasons}
	case batch.PhaseFinished:
		return b.finishedLine()
	case batch.PhaseIdle:
		return bayLine{"", "no more cards are wanted here"}
	case batch.PhaseWorking:
		if b.atWork() {
			return b.workingLine(imageBytes, room)
		}
	}
	return bayLine{"", string(b.Phase)}
}

// finishedLine tells what to do with a card whose run has ended.
func (b *bayTrack) finishedLine() bayLine {
	switch {
	case b.Last == nil:
		return bayLine{"SWAP", ""}
	case b.Last.Verdict != logbook.Intact:
		return bayLine{"SWAP, SET IT ASIDE", string(b.Last.Verdict) + ": " + b.Last.Reason}
	case isBelow(b.Last.Pace):
		return bayLine{"SWAP, A SLOW CARD", fmt.Sprintf("intact, %s, %s", b.Last.Pace, report.Rate(b.Last.BytesPerSecond))}
	}
	text := "intact"
	if b.Last.BytesPerSecond > 0 {
		text += ", " + report.Rate(b.Last.BytesPerSecond)
	}
	return bayLine{"SWAP", text}
}

// workingLine tells how far a card is, how fast, and when its bay wants the next. What is slow stands out.
func (b *bayTrack) workingLine(imageBytes int64, room int) bayLine {
	var share, drawn, rate, next string
	if b.measures() && b.step != flash.StepSource && imageBytes > 0 {
		percent := int(100 * min(b.last().bytes, imageBytes) / imageBytes)
		share, drawn = fmt.Sprintf("%d %%", percent), bar(percent, room-barless)
	}
	if b.Left > 0 {
		next = "next in " + clock(b.Left)
	}
	if b.isSlow() { // which goes without saying that it is being written
		return bayLine{slowInWords(b.last().Pace, b.sustained()), joined(share, next)}
	}
	if now := b.rateNow(); b.measures() && now > 0 {
		rate = report.Rate(now)
	}
	if sustained := b.sustained(); sustained > 0 {
		rate += fmt.Sprintf(" (sustained %s)", strings.TrimSuffix(report.Rate(sustained), " MB/s"))
	}
	return bayLine{"", joined(stepInOneWord(b.step), share, drawn, rate, next)}
}

// barless is the room that the words beside the bar take at most.
const barless = len("clearing 100 % 99.9 MB/s (sustained 99.9) next in 9:59:59") - 1

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
func joined(words ...string) string {
	return strings.Join(slices.DeleteFunc(words, func(w string) bool { return w == "" }), " ")
}

// nextForHands tells what the hands do next: what can be done at once, and which bay will want a card soonest.
func nextForHands(bays []*bayTrack) string {
	var now []string
	for _, want := range []struct {
		phase batch.Phase
		words string
	}{
		{batch.PhaseFinished, "swap %s"},
		{batch.PhaseRefused, "take the card out of %s"},
		{batch.PhaseHeld, "decide about %s"},
		{batch.PhaseEmpty, "seat a card in %s"},
	} {
		var names []string
		for _, b := range bays {
			if b.Phase == want.phase {
				names = append(names, b.Bay)
			}
		}
		if len(names) > 0 {
			now = append(now, fmt.Sprintf(want.words, strings.Join(names, " and ")))
		}
	}
	text := strings.Join(now, ", ")
	if soonest := soonestDone(bays); soonest != nil {
		if text != "" {
			text += "; then "
		}
		text += fmt.Sprintf("%s wants its next card in %s", soonest.Bay, clock(soonest.Left))
	}
	if text == "" {
		return "Next: wait"
	}
	return "Next: " + text
}

// soonestDone is the bay at work that will want its next card first; nil where none is known.
func soonestDone(bays []*bayTrack) (soonest *bayTrack) {
	for _, b := range bays {
		if b.Phase == batch.PhaseWorking && b.Left > 0 && (soonest == nil || b.Left < soonest.Left) {
			soonest = b
		}
	}
	return soonest
}
