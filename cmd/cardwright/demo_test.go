package main

import (
	"bytes"
	"encoding/json"
	"io"
	"testing"

	"cardwright/internal/capacity"
	"cardwright/internal/cardlab"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
	"cardwright/internal/report"
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

// The document states the code that the command ends with: bad emulated cards are no failure of the demo.
func TestDemoDocumentStatesItsOwnExitCode(t *testing.T) {
	var stdout bytes.Buffer
	d := demonstration{program: &program{stdout: &stdout, json: true}, story: io.Discard}
	result := &job.Result{Cards: []logbook.Run{{Verdict: logbook.Damaged}}}
	if err := d.show(t.Context(), result); err != nil {
		t.Fatal(err)
	}
	var told report.Document
	if err := json.Unmarshal(stdout.Bytes(), &told); err != nil {
		t.Fatal(err)
	}
	if told.ExitCode != 0 || told.Cards[0].Verdict != logbook.Damaged {
		t.Errorf("%+v", told)
	}
}

// So is the size of the false card.
func TestDemoNoticesAWrongSize(t *testing.T) {
	trueBytes := demoTogether()[2].traits.TrueSizeBytes
	of := func(bytes int64) *logbook.CapacityCheck {
		return &logbook.CapacityCheck{Result: capacity.Result{TrueBytes: &bytes}}
	}
	if err := sizeHeldAgainst(of(trueBytes), trueBytes); err != nil {
		t.Error(err)
	}
	for name, run := range map[string]*logbook.CapacityCheck{
		"another size": of(trueBytes + 512), "no size": {},
	} {
		if sizeHeldAgainst(run, trueBytes) == nil {
			t.Errorf("%s was not noticed", name)
		}
	}
}
