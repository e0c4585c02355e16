package main

import (
	"errors"
	"fmt"
	"path"
	"strings"
	"time"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
	"cardwright/partition"
)

var (
	// errTargetRefused stands for the reasons that were printed target by target.
	errTargetRefused = errors.New("a target is refused")
	// errTargetMissing says that one of them is not there.
	errTargetMissing = fmt.Errorf("%w: it is not there", errTargetRefused)
	// errDoesNotFit says that the image is known not to fit on one of them.
	errDoesNotFit = fmt.Errorf("%w: %w", errTargetRefused, flash.ErrTooSmall)
)

// An unstarted is a command that ended before its job began: no target was touched.
type unstarted struct {
	startedAt time.Time
	operation logbook.Operation
	targets   []*target
	imageName string
}

// stop ends such a command: it says why on standard error, and with --json also gives the document, so that a caller finds
// the same fields whatever happened.
func (p *program) stop(u unstarted, cause error, class logbook.Class) error {
	code := codeOfClass(class)
	if errors.Is(cause, errTargetRefused) {
		p.hint(cause, code)
	} else {
		p.tell(cause, code)
		if u.operation == logbook.OperationFlash && class != logbook.ClassRefused {
			fmt.Fprintln(p.stderr, "Nothing was written.")
		}
	}
	if !p.json {
		return ending{code}
	}
	result := &job.Result{Image: source.Facts{Name: path.Base(u.imageName)}}
	if errors.Is(cause, source.ErrMismatch) {
		result.Image.Expected = source.Mismatched
	}
	for _, t := range u.targets {
		result.Cards = append(result.Cards, u.run(t, cause, class))
	}
	return p.printRuns(u.startedAt, result)
}

// run is what such a command has to say of one target.
func (u unstarted) run(t *target, cause error, class logbook.Class) logbook.Run {
	run := logbook.Run{
		Device: t.path, Label: t.label, Operation: u.operation, StartedAt: u.startedAt,
		Verdict: logbook.Unfinished, Pace: flash.PaceUnjudged, PaceReason: "nothing was written",
		Findings: []partition.Finding{},
		Error:    &logbook.Failure{Step: flash.StepOpen, Class: class, Cause: cause.Error()},
	}
	switch class {
	case logbook.ClassRefused:
		run.Verdict = logbook.Refused
	case logbook.ClassSource:
		run.Error.Step = flash.StepSource
		if e, ok := errors.AsType[*source.Error](cause); ok {
			run.Error.OffsetBytes = e.OffsetBytes
		}
	}
	if len(t.reasons) > 0 {
		run.Error.Cause = strings.Join(t.reasons, "; ")
	}
	return run
}
