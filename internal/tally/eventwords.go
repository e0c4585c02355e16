package tally

import (
	"cmp"
	"fmt"
	"strings"

	"cardwright/flash"
	"cardwright/internal/batch"
	"cardwright/internal/logbook"
	"cardwright/internal/report"
	"cardwright/internal/terminal"
)

const (
	screenColumns  = terminal.UsualColumns
	labelColumns   = 16 // what a card's label gets, here and where the bays are drawn
	bayColumns     = 11
	verdictColumns = 12
)

// LongestBayName is how many letters of a bay's name stand whole in its column: the operator types it.
const LongestBayName = bayColumns - 1

// eventInWords tells an event in lines of a terminal. What was read from a card or a device is made printable.
func eventInWords(e batch.Event) []string {
	if e.Kind == batch.KindFinished && e.Run != nil {
		return []string{finishedLine(e)}
	}
	const indent = "    "
	lines := report.Wrapped(report.Printable(eventSentence(e)), screenColumns-1-len(indent))
	for i := range lines[1:] {
		lines[1+i] = indent + lines[1+i]
	}
	return lines
}

func eventSentence(e batch.Event) string {
	reasons := strings.Join(e.Reasons, "; ")
	switch e.Kind {
	case batch.KindBegun:
		return begunSentence(e.Batch)
	case batch.KindSeated:
		return e.Bay + ": a card is in " + e.Device
	case batch.KindRefused:
		return e.Bay + ": REFUSED, nothing was written: " + reasons
	case batch.KindHeld:
		return fmt.Sprintf("%s: HELD: %s. To overwrite it, type %s and Enter, or take it out and seat it again within %s. Else take it out "+
			"and seat another", e.Bay, reasons, e.Bay, report.Duration(batch.ReseatWithin.Seconds()))
	case batch.KindReleased:
		return strings.TrimSuffix(e.Bay+": the held card is overwritten: "+reasons, ": ")
	case batch.KindStarted:
		return fmt.Sprintf("%s: %s is being written", e.Bay, cardInWords(e.Label, e.Number))
	case batch.KindSlow:
		return fmt.Sprintf("%s: %s is slow so far: %s", e.Bay, cardInWords(e.Label, e.Number), slowInWords(e.Pace, e.Rate))
	case batch.KindRemoved:
		return e.Bay + ": the card was taken out"
	case batch.KindEnding:
		return "No more cards are begun. Wait for those at work, or stop them with Ctrl-C."
	}
	return strings.TrimSuffix(e.Bay+": "+string(e.Kind)+": "+reasons, ": ")
}

func begunSentence(facts *batch.Facts) string {
	if facts == nil {
		return "The batch was begun."
	}
	wanted := "as many cards as come"
	if facts.Wanted > 0 {
		wanted = cardCount(facts.Wanted)
	}
	if facts.Before > 0 {
		wanted += fmt.Sprintf(", %d of them done before", facts.Before)
	}
	bays := make([]string, len(facts.Bays))
	for i, bay := range facts.Bays {
		bays[i] = fmt.Sprintf("%s (%s)", bay.Name, cmp.Or(bay.Place, bay.Device))
	}
	return fmt.Sprintf("Batch %s: %s to %s, in %s", facts.Name, facts.Image.Name, wanted, strings.Join(bays, ", "))
}

// cardInWords is what a card that has its turn is called.
func cardInWords(label string, number int64) string {
	if label == "" {
		return fmt.Sprintf("card %d", number)
	}
	return label
}

func cardCount(n int) string {
	if n == 1 {
		return "1 card"
	}
	return fmt.Sprintf("%d cards", n)
}

// slowInWords tells how fast a card is that is slow so far, and by what it is.
func slowInWords(pace flash.Judgement, bytesPerSecond float64) string {
	heldAgainst := string(pace.Pace)
	switch pace.Pace {
	case flash.PaceBelowPeers:
		heldAgainst = "peers " + report.Megabytes(pace.PeersMedian)
	case flash.PaceBelowClaim:
		heldAgainst = "claims " + report.Megabytes(pace.Claim.BytesPerSecond)
	}
	return fmt.Sprintf("%s, %s", report.Rate(bytesPerSecond), heldAgainst)
}

// finishedHeading stands above the lines of finished cards.
func finishedHeading() string {
	return tabled("Card", "Bay", "Verdict", report.Padded("Pace", 13)+report.Padded("To flash", 14)+"Sustained")
}

// finishedLine tells in one line how a card came out: its figures, or why it is not intact.
func finishedLine(e batch.Event) string {
	run := e.Run
	label := cardInWords(cmp.Or(e.Label, run.Label), e.Number)
	if run.Verdict != logbook.Intact {
		return tabled(label, e.Bay, strings.ToUpper(string(run.Verdict)), run.Reason())
	}
	pace, took, rate := string(run.Pace), "-", "-"
	if run.Pace.IsSlow() {
		pace = strings.ToUpper(pace)
	}
	if run.TimeToFlashSeconds != nil {
		took = report.Duration(*run.TimeToFlashSeconds)
	}
	if run.Write != nil && run.Write.SustainedBytesPerSecond > 0 {
		rate = report.Rate(run.Write.SustainedBytesPerSecond)
	}
	return tabled(label, e.Bay, string(run.Verdict), report.Padded(pace, 13)+report.Padded(took, 14)+rate)
}

// tabled is a line of the table of finished cards.
func tabled(card, bay, verdict, rest string) string {
	line := named(card, labelColumns) + named(bay, bayColumns) + named(verdict, verdictColumns)
	return report.Cut(line+report.Printable(rest), screenColumns-1)
}
