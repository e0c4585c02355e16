package main

import (
	"context"
	"fmt"
	"path/filepath"

	"cardwright/internal/capacity"
	"cardwright/internal/cardlab"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
	"cardwright/internal/progress"
	"cardwright/internal/report"
)

// measureSize finds out how large the card is that read back as if it held less than it says, and holds the outcome against what
// the card is known to be.
func (d *demonstration) measureSize(ctx context.Context) error {
	known := demoTogether()[2]
	card, err := cardlab.New(known.traits)
	if err != nil {
		return err
	}
	book, err := logbook.Open(ctx, d.bookPath)
	if err != nil {
		return err
	}
	defer d.closeBook(book)
	fmt.Fprintf(d.story, "\nHow large is %s? Its size is looked for:\n\n", known.label)
	meter := &capacity.Meter{}
	t := job.Target{Card: card, Device: "emulated-03", Label: known.label}
	var run *logbook.CapacityCheck
	d.progressOf(progress.NewSurvey(known.label, meter)).During(func() {
		run = job.Capacity(ctx, t, job.CapacityOptions{Book: book, Folder: filepath.Join(d.folder, "capacity"), Meter: meter})
	})
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	document := report.CapacityDocument{Stamp: stampOf(d.startedAt, codeOfCapacity(run)), CapacityCheck: *run}
	if err := report.CapacityText(d.story, document); err != nil {
		return err
	}
	return sizeHeldAgainst(run, known.traits.TrueSizeBytes)
}

// sizeHeldAgainst compares what was found with what the emulated card really holds.
func sizeHeldAgainst(run *logbook.CapacityCheck, trueBytes int64) error {
	if run.TrueBytes == nil || *run.TrueBytes != trueBytes {
		return fmt.Errorf("the demo went wrong: %s holds %d bytes, and was told otherwise", run.Label, trueBytes)
	}
	return nil
}
