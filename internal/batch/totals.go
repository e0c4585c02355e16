package batch

import (
	"cmp"
	"slices"
	"time"

	"cardwright/internal/logbook"
)

// cardOf is what the totals keep of a run.
func cardOf(bay string, number int64, run *logbook.Run) Card {
	c := Card{
		Bay: bay, Label: run.Label, Number: number, RunID: run.RunID, Verdict: run.Verdict, Pace: run.Pace,
		Reason: run.Reason(), ReportedAt: time.Now(),
	}
	if run.TimeToFlashSeconds != nil {
		c.SecondsToFlash = *run.TimeToFlashSeconds
	}
	if run.TimeToProvenSeconds != nil {
		c.SecondsToProof = *run.TimeToProvenSeconds
	}
	if run.Write != nil {
		c.BytesPerSecond = run.Write.SustainedBytesPerSecond
	}
	return c
}

// totals sums up what was finished since a time.
func (b *Batch) totals(began time.Time) Totals {
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.first.IsZero() {
		began = b.first // what the operator needed to fetch the cards is not the readers' time
	}
	t := Totals{
		Elapsed: time.Since(began), Cards: slices.Clone(b.cards), Before: b.ledger.before, Wanted: b.ledger.wanted,
	}
	var intact []*Card
	for i := range t.Cards {
		c := &t.Cards[i]
		if c.Verdict != logbook.Intact {
			t.Failed++
			continue
		}
		intact = append(intact, c)
		if c.Pace.IsSlow() {
			t.Slow++
		}
	}
	t.Intact = len(intact)
	if t.Intact == 0 {
		return t
	}
	t.CardsPerHour = float64(t.Intact) / t.Elapsed.Hours()
	slices.SortStableFunc(intact, func(a, b *Card) int { return cmp.Compare(a.SecondsToProof, b.SecondsToProof) })
	t.Fastest, t.Median, t.Slowest = intact[0], intact[(len(intact)-1)/2], intact[len(intact)-1]
	return t
}
