package tally

import (
	"cmp"
	"fmt"
	"io"
	"strings"

	"cardwright/internal/batch"
	"cardwright/internal/logbook"
	"cardwright/internal/report"
)

// writeTotals prints how a batch came out, for a terminal of 80 columns.
func writeTotals(w io.Writer, t *batch.Totals, goOn string) error {
	lines := []string{totalsSentence(t)}
	add := func(name, text string) {
		if text != "" {
			lines = append(lines, report.Cut(report.Padded(name, 10)+report.Printable(text), screenColumns))
		}
	}
	add("Elapsed", elapsedInWords(t))
	add("Fastest", timeInWords(t.Fastest))
	add("Median", timeInWords(t.Median))
	add("Slowest", timeInWords(t.Slowest))
	if t.Before > 0 {
		add("Before", cardCount(t.Before)+" of this batch, by earlier commands")
	}
	if t.Wanted > 0 {
		add("Left", leftInWords(t, goOn))
	}
	for _, card := range t.Cards {
		switch {
		case card.Verdict != logbook.Intact:
			add("Failed", failureInWords(card))
		case card.Pace.IsSlow():
			add("Slow", fmt.Sprintf("%s: %s, %s", cardInWords(card.Label, card.Number), card.Pace, report.Rate(card.BytesPerSecond)))
		}
	}
	_, err := io.WriteString(w, strings.Join(lines, "\n")+"\n")
	return err
}

func totalsSentence(t *batch.Totals) string {
	if len(t.Cards) == 0 {
		return "No card was finished."
	}
	parts := []string{fmt.Sprintf("%d intact", t.Intact)}
	if t.Slow > 0 {
		parts[0] += fmt.Sprintf(" (%d of them slow)", t.Slow)
	}
	if t.Failed > 0 {
		parts = append(parts, fmt.Sprintf("%d FAILED", t.Failed))
	}
	return cardCount(len(t.Cards)) + ": " + strings.Join(parts, ", ") + "."
}

func elapsedInWords(t *batch.Totals) string {
	text := report.Duration(t.Elapsed.Seconds())
	if t.CardsPerHour > 0 {
		text += fmt.Sprintf(", %.1f cards per hour", t.CardsPerHour)
	}
	return text
}

// timeInWords tells how long a card took and how fast it was.
func timeInWords(c *batch.Card) string {
	if c == nil {
		return ""
	}
	return fmt.Sprintf("%s: proven after %s, %s", cardInWords(c.Label, c.Number), report.Duration(c.SecondsToProof),
		report.Rate(c.BytesPerSecond))
}

func leftInWords(t *batch.Totals, goOn string) string {
	left := max(t.Wanted-t.Before-t.Intact, 0)
	if left == 0 {
		return fmt.Sprintf("nothing: all %d are done", t.Wanted)
	}
	return fmt.Sprintf("%d of %d cards; %s", left, t.Wanted, goOn)
}

// failureInWords names a card that is not intact, and why.
func failureInWords(c batch.Card) string {
	text := cardInWords(c.Label, c.Number) + ": " + strings.ToUpper(string(c.Verdict))
	if c.RunID != 0 {
		text += fmt.Sprintf(", run %d", c.RunID)
	}
	return text + ": " + cmp.Or(c.Reason, "no reason is known")
}
