package tally

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"cardwright/internal/batch"
	"cardwright/internal/progress"
	"cardwright/internal/report"
)

// A drawing makes the block of lines that shows the bays at a time.
type drawing struct {
	now     time.Time
	columns int
}

// mostHandLines is how many lines of the block may tell what the hands do next.
const mostHandLines = 3

// block shows the score, each bay, what the hands do next, and where something is to be typed what was typed so far.
func (d drawing) block(bays []*bayTrack, s score, typed string) []string {
	lines := []string{report.Cut(s.inWords(d.now), d.columns)}
	held, wanted := false, s.wantsMore(bays)
	for _, b := range bays {
		held = held || b.Phase == batch.PhaseHeld
		lines = append(lines, d.bay(b, s.cardBytes, wanted))
	}
	lines = append(lines, d.hands(bays, wanted)...)
	switch {
	case held:
		lines = append(lines, report.Cut("Overwrite the held card in bay (name, Enter): "+typed, d.columns))
	case typed != "":
		lines = append(lines, report.Cut("No card is held. Typed: "+typed, d.columns))
	}
	return lines
}

// hands wraps what the hands do next.
func (d drawing) hands(bays []*bayTrack, wanted bool) []string {
	const indent = "    "
	lines := report.Wrapped(report.Printable(nextForHands(bays, wanted)), max(d.columns-len(indent), 2))
	for i := range lines[1:] {
		lines[1+i] = indent + lines[1+i]
	}
	if len(lines) > mostHandLines {
		lines = append(lines[:mostHandLines-1], lines[mostHandLines-1]+" ..")
	}
	for i := range lines {
		lines[i] = report.Cut(lines[i], d.columns)
	}
	return lines
}

// wantsMore tells whether one more card would be begun now: not while those at work are all that is left.
func (s score) wantsMore(bays []*bayTrack) bool {
	atWork := 0
	for _, b := range bays {
		if b.Phase == batch.PhaseWorking {
			atWork++
		}
	}
	return s.wanted == 0 || s.wanted-s.before-s.intact > atWork
}

// inWords tells how far a batch is.
func (s score) inWords(now time.Time) string {
	if s.begunAt.IsZero() {
		return "The batch begins."
	}
	words := []string{fmt.Sprintf("%d intact", s.intact)}
	if s.slow > 0 {
		words[0] += fmt.Sprintf(" (%d slow)", s.slow)
	}
	if s.failed > 0 {
		words = append(words, fmt.Sprintf("%d FAILED", s.failed))
	}
	if s.before > 0 {
		words = append(words, fmt.Sprintf("%d done before", s.before))
	}
	if s.wanted > 0 {
		words = append(words, fmt.Sprintf("%d to go", max(s.wanted-s.before-s.intact, 0)))
	}
	return strings.Join(words, ", ") + "; " + progress.Clock(now.Sub(s.begunAt)) + " so far"
}

// standingOut marks a text by more than a colour. The marks are SGR 1, 7 and 0 of ECMA-48.
func standingOut(text string) string {
	if text == "" {
		return ""
	}
	return "\x1b[1;7m" + text + "\x1b[0m"
}

// bay draws one bay's line.
func (d drawing) bay(b *bayTrack, cardBytes int64, wanted bool) string {
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
	line := b.line(cardBytes, room, wanted)
	text := report.Cut(report.Printable(line.String()), room)
	if rest, whole := strings.CutPrefix(text, line.key); whole {
		return strings.TrimRight(head+standingOut(line.key)+rest, " ")
	}
	return head + standingOut(text)
}

// named is a name in a column.
func named(name string, columns int) string {
	return report.Padded(report.Shortened(report.Printable(name), columns-1), columns)
}

// listed names several things: one, two and three.
func listed(names []string) string {
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	last := len(names) - 1
	return strings.Join(names[:last], ", ") + " and " + names[last]
}

// A want is what the hands can do at once about bays in one phase; %s stands for the bays' names.
type want struct {
	phase     batch.Phase
	one, many string // of one bay, of several
}

// wants are those that there are, the first to be told first. Where no more cards are wanted now, nothing is swapped or seated.
func wants(wanted bool) []want {
	all := []want{
		{batch.PhaseFinished, "swap %s", "swap %s"},
		{batch.PhaseRefused, "take the card out of %s", "take the cards out of %s"},
		{batch.PhaseHeld, "decide about the held card in %s", "decide about the held cards in %s"},
		{batch.PhaseEmpty, "seat a card in %s", "seat cards in %s"},
	}
	if !wanted {
		all[0].one, all[0].many = all[1].one, all[1].many
		return all[:3]
	}
	return all
}

// nextForHands tells what the hands do next: what can be done at once, and which bay will want them soonest.
func nextForHands(bays []*bayTrack, wanted bool) string {
	var now []string
	for _, w := range wants(wanted) {
		var names []string
		for _, b := range bays {
			if b.Phase == w.phase {
				names = append(names, b.Bay)
			}
		}
		switch len(names) {
		case 0:
		case 1:
			now = append(now, fmt.Sprintf(w.one, names[0]))
		default:
			now = append(now, fmt.Sprintf(w.many, listed(names)))
		}
	}
	text := strings.Join(now, "; ")
	switch soonest := soonestDone(bays); {
	case soonest == nil:
		text = cmp.Or(text, "wait")
	case text == "":
		text = fmt.Sprintf("wait; %s is done in %s", soonest.Bay, progress.Clock(soonest.Left))
	default:
		text += fmt.Sprintf("; then %s, in %s", soonest.Bay, progress.Clock(soonest.Left))
	}
	return "Next: " + text
}

// soonestDone is the bay at work that will be done first; nil where none is known.
func soonestDone(bays []*bayTrack) (soonest *bayTrack) {
	for _, b := range bays {
		if b.Phase == batch.PhaseWorking && b.Left > 0 && (soonest == nil || b.Left < soonest.Left) {
			soonest = b
		}
	}
	return soonest
}
