package job

import (
	"context"
	"errors"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/logbook"
	"cardwright/internal/project"
)

// errAnotherRefused is why a card is refused that had nothing against it.
var errAnotherRefused = errors.New("another target of the same command was refused, so nothing was written at all")

// failureOf puts an error into a record's form: the step, the place and the class that decides the exit code.
func failureOf(err error) *logbook.Failure {
	f := &logbook.Failure{Step: flash.StepBody, Cause: err.Error(), Class: classOf(err)}
	if e, ok := errors.AsType[*flash.Error](err); ok {
		f.Step, f.OffsetBytes, f.Cause = e.Step, e.OffsetBytes, e.Err.Error()
	}
	if e, ok := errors.AsType[*source.Error](err); ok {
		f.Step, f.OffsetBytes, f.Cause = flash.StepSource, e.OffsetBytes, e.Error()
	}
	return f
}

func classOf(err error) logbook.Class {
	step := flash.StepBody
	if e, ok := errors.AsType[*flash.Error](err); ok {
		step = e.Step
	}
	switch {
	case errors.Is(err, context.Canceled): // not DeadlineExceeded, which a network's timeout is too
		return logbook.ClassInterrupted
	case step == flash.StepSource || errors.Is(err, flash.ErrTooSmall) || errors.Is(err, project.ErrNotComposed):
		return logbook.ClassSource
	default:
		return logbook.ClassCard
	}
}
