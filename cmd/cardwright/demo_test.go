package main

import (
	"testing"

	"cardwright/internal/cardlab"
	"cardwright/internal/logbook"
)

// The demo holds its own outcome against what its cards are known to be.
func TestDemoNoticesAWrongVerdict(t *testing.T) {
	cards := append(demoTogether(), demoAlone()...)
	runs := make([]logbook.Run, len(cards))
	for i, c := range cards {
		if _, err := cardlab.New(c.traits); err != nil {
			t.Errorf("%s: %v", c.label, err)
		}
		runs[i].Verdict = c.expect
	}
	if err := heldAgainst(runs, cards); err != nil {
		t.Error(err)
	}
	for i := range runs {
		right := runs[i].Verdict
		for _, wrong := range []logbook.Verdict{logbook.Intact, logbook.Damaged, logbook.Unfinished} {
			runs[i].Verdict = wrong
			if err := heldAgainst(runs, cards); (err == nil) != (wrong == right) {
				t.Errorf("%s called %s: %v", cards[i].label, wrong, err)
			}
		}
		runs[i].Verdict = right
	}
	if heldAgainst(runs[:3], cards) == nil {
		t.Error("a card without a run was not missed")
	}
}
