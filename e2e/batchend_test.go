//go:build device

package e2e_test

import (
	"fmt"
	"testing"
)

// expectRowsGivenOnce expects every row of the sheet on one card, those of failed cards too, no number twice, and the logbook to
// say the same of every card.
func expectRowsGivenOnce(t *testing.T, s stack, cards []*stackCard) {
	t.Helper()
	recorded := map[int64]recordDoc{}
	for _, r := range s.runs(t) {
		if r.BatchID == 0 {
			continue
		}
		if _, twice := recorded[r.Number]; twice {
			t.Errorf("the number %d was given twice", r.Number)
		}
		recorded[r.Number] = r
	}
	labels, begun, failed := map[string]int64{}, 0, 0
	for _, c := range cards {
		if c.run == nil {
			continue
		}
		begun++
		got := recorded[c.run.Number]
		if got.Label != c.run.Label || got.Verdict != c.run.Verdict || got.RunID != c.run.RunID || got.Device != c.path {
			t.Errorf("number %d: the logbook says %s, %s, %s, and the stream %s, %s", c.run.Number, got.Label, got.Verdict, got.Device,
				c.run.Label, c.run.Verdict)
		}
		if c.run.Verdict != "intact" {
			failed++
			continue
		}
		if other, twice := labels[c.run.Label]; twice {
			t.Errorf("the label %s is on the cards %d and %d", c.run.Label, other, c.run.Number)
		}
		labels[c.run.Label] = c.run.Number
	}
	if len(recorded) != begun || failed == 0 {
		t.Errorf("the logbook has %d runs of the batch, want %d; %d failed", len(recorded), begun, failed)
	}
	for n := range classCards {
		if label, _, _ := classRow(n + 1); labels[label] == 0 {
			t.Errorf("no card has the label %s", label)
		}
	}
	if len(labels) != classCards {
		t.Errorf("%d labels are on cards, want %d", len(labels), classCards)
	}
}

// expectTotals expects the last event to sum up what the others told.
func expectTotals(t *testing.T, told []eventDoc, cards []*stackCard, code int) {
	t.Helper()
	first, last := told[0], told[len(told)-1]
	if first.Event != "begun" || first.Wanted != classCards || first.DoneBefore != 0 || len(first.Bays) != 3 {
		t.Errorf("the batch begins with %+v", first)
	}
	if last.Event != "ended" || last.ExitCode == nil || *last.ExitCode != code || last.Totals == nil {
		t.Fatalf("the batch ends with %+v", last)
	}
	intact, failed, slow := 0, 0, 0
	byNumber := map[int64]*cardDoc{}
	for _, c := range cards {
		switch {
		case c.run == nil:
			continue
		case c.run.Verdict != "intact":
			failed++
		default:
			intact++
			if c.run.Pace == "below floor" || c.run.Pace == "below claim" || c.run.Pace == "below peers" {
				slow++
			}
		}
		byNumber[c.run.Number] = c.run
	}
	sum := last.Totals
	if sum.Intact != intact || sum.Failed != failed || sum.Slow != slow || sum.Wanted != classCards || sum.DoneBefore != 0 || intact != classCards {
		t.Errorf("the totals are %d intact, %d failed, %d slow of %d, want %d, %d, %d", sum.Intact, sum.Failed, sum.Slow, sum.Wanted,
			intact, failed, slow)
	}
	if len(sum.Cards) != len(byNumber) || sum.Fastest == nil || sum.Median == nil || sum.Slowest == nil {
		t.Fatalf("the totals list %d cards, want %d; %v, %v, %v", len(sum.Cards), len(byNumber), sum.Fastest, sum.Median, sum.Slowest)
	}
	for _, c := range sum.Cards {
		if run := byNumber[c.Number]; run == nil || run.Label != c.Label || run.Verdict != c.Verdict || (c.Reason == "") != (c.Verdict == "intact") {
			t.Errorf("the totals tell of %+v", c)
		}
	}
	if *sum.Fastest.TimeToProven > *sum.Median.TimeToProven || *sum.Median.TimeToProven > *sum.Slowest.TimeToProven {
		t.Errorf("the fastest took %v s, the median %v s, the slowest %v s", *sum.Fastest.TimeToProven, *sum.Median.TimeToProven,
			*sum.Slowest.TimeToProven)
	}
}

// expectClassDelivered has general tools look at every card that is done.
func expectClassDelivered(t *testing.T, j judge, cards []*stackCard) {
	t.Helper()
	rows := map[string]int{}
	for n := range classCards {
		label, _, _ := classRow(n + 1)
		rows[label] = n + 1
	}
	for _, c := range cards {
		if c.verdict != "intact" || c.run == nil {
			continue
		}
		label, hostname, address := classRow(rows[c.run.Label])
		own := map[string]string{
			"node.env":          fmt.Sprintf("node=%s\n# %s, card %d\n", hostname, label, c.run.Number),
			"net/lan/lan.conf":  fmt.Sprintf("address=%s\nname=%s\n", address, hostname),
			"overlays/used.txt": "",
		}
		j.expectDelivered(t, fmt.Sprintf("the %s card %d, %s", c.what, c.run.Number, label), c.seated, own)
		if len(c.run.Files) != len(own) {
			t.Errorf("card %d: the files %+v are told", c.run.Number, c.run.Files)
		}
	}
}
