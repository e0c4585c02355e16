package job

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"time"

	"cardwright/flash"
	"cardwright/internal/capacity"
	"cardwright/internal/logbook"
	"cardwright/partition"
)

// CapacityOptions are what a check of a card's size is asked for. The zero value is a quick check that records nothing.
type CapacityOptions struct {
	Book       *logbook.Book // nil: nothing is recorded
	Unrecorded error         // why Book is nil, where the result shall say so
	Mode       capacity.Mode // empty: ModeQuick
	Erase      bool          // do not keep and put back what the card holds
	Folder     string        // where kept content and the state of full checks lie
	Meter      *capacity.Meter
	StallLimit time.Duration // how long one call to a card may take; 0: DefaultStallLimit
}

// Capacity finds out whether a card is as large as it says. It always gives a result; what went wrong stands in it. What an
// interrupted check left on this card is undone first. An interrupt ends the check, and is answered once what the card held is
// back on it. A card whose call never returns is given up, and nothing more is awaited of it.
func Capacity(ctx context.Context, t Target, o CapacityOptions) *logbook.CapacityCheck {
	t.watch()
	o.Mode, o.Meter = cmp.Or(o.Mode, capacity.ModeQuick), cmp.Or(o.Meter, new(capacity.Meter))
	s := &sizing{Target: t, options: o}
	s.open(ctx)
	found := make(chan *logbook.CapacityCheck, 1)
	done := make(chan struct{})
	go func() { // ends with the check; awaited below, unless a call never returns
		defer close(done)
		found <- s.check(ctx)
	}()
	v := vigil{meter: t.Meter, stallLimit: Options{StallLimit: o.StallLimit}.stallLimit(), done: done}
	// An interrupt is not answered here: the content is put back meanwhile.
	if cause := v.keep(context.WithoutCancel(ctx)); cause != nil {
		return s.close(ctx, s.givenUp(cause))
	}
	return s.close(ctx, <-found)
}

// A sizing is one check of a card's size.
type sizing struct {
	Target
	options    CapacityOptions
	record     *logbook.CapacityRecord // nil where nothing is recorded
	unrecorded error
}

// check is the whole check but for its record.
func (s *sizing) check(ctx context.Context) *logbook.CapacityCheck {
	run := s.newRun()
	asked := capacity.Options{
		Erase: s.options.Erase, Folder: s.options.Folder, Meter: s.options.Meter,
		Card: capacity.Mark{CID: s.Conditions.CardRegisterCID, Node: s.Conditions.Node, SizeBytes: s.Card.SizeBytes()},
	}
	var err error
	if run.Leftover, err = capacity.RestoreLeftover(ctx, s.Card, asked); err != nil && !s.erases() {
		run.Error = checkFailureOf(err)
		return run
	}
	check := capacity.Quick
	if s.options.Mode == capacity.ModeFull {
		check = capacity.Full
	}
	result, err := check(ctx, s.Card, asked)
	if result != nil {
		run.Result = *result
	}
	if err != nil {
		run.Error = checkFailureOf(err)
	}
	return run
}

// checkFailureOf is failureOf for a check of a card's size, whose own files may fail: what is no error of the card is not blamed on it.
func checkFailureOf(err error) *logbook.Failure {
	f := failureOf(err)
	if _, ofCard := errors.AsType[*flash.Error](err); ofCard {
		return f
	}
	f.Step = capacity.StepCheck
	if f.Class == logbook.ClassCard {
		f.Class = logbook.ClassProgram
	}
	return f
}

// erases tells whether the operator gave up what the card holds, and with it what an earlier check left to put back.
func (s *sizing) erases() bool { return s.options.Erase || s.options.Mode == capacity.ModeFull }

// newRun is the run as far as it is known before anything happens.
func (s *sizing) newRun() *logbook.CapacityCheck {
	return &logbook.CapacityCheck{
		Device: s.Device, Label: s.Label, Findings: []partition.Finding{},
		Result: capacity.Result{
			ClaimedBytes: s.Card.SizeBytes(), Mode: s.options.Mode, BadRanges: []capacity.Range{},
			WriteTrace: []capacity.Part{}, ReadTrace: []capacity.Part{},
		},
	}
}

// givenUp is the run of a card that is not waited for. Its goroutine still holds what was found; what is known is which card it is, and
// where that is kept which is not back on it.
func (s *sizing) givenUp(cause error) *logbook.CapacityCheck {
	failure := &flash.Error{Step: capacity.StepCompare, Err: cause}
	if stuck, ok := errors.AsType[stuckCall](cause); ok {
		failure.OffsetBytes = stuck.call.OffsetBytes
		if stuck.call.Kind == flash.CallWrite || stuck.call.Kind == flash.CallFlush {
			failure.Step = capacity.StepStamp
		}
	}
	run := s.newRun()
	run.Error = failureOf(failure)
	if run.Rescue = s.options.Meter.Look().Rescue; run.Rescue != "" {
		run.Restored = new(bool)
	}
	return run
}

// open opens the record, before anything is written to the card.
func (s *sizing) open(ctx context.Context) {
	s.unrecorded = s.options.Unrecorded
	if s.options.Book == nil {
		return
	}
	record := &logbook.CapacityRecord{
		Device: s.Device, Label: s.Label, Bay: cmp.Or(s.Conditions.PortPath, s.Conditions.Node, s.Device),
		StartedAt: time.Now().UTC(), Mode: string(s.options.Mode), ClaimedBytes: s.Card.SizeBytes(),
	}
	if s.unrecorded = s.options.Book.BeginCapacity(ctx, record, RegistersOf(s.Identity)); s.unrecorded == nil {
		s.record = record
	}
}

// close closes the record. A logbook that fails changes nothing about the card: the run says that it is not recorded.
func (s *sizing) close(ctx context.Context, run *logbook.CapacityCheck) *logbook.CapacityCheck {
	if s.record != nil {
		run.CheckID, run.CardID = s.record.CheckID, s.record.CardID
		s.unrecorded = s.finish(ctx, run)
	}
	if s.unrecorded != nil {
		run.Findings = append(run.Findings, notRecorded(s.unrecorded))
	}
	return run
}

// finish puts the outcome into the record, also when the operator interrupted the check.
func (s *sizing) finish(ctx context.Context, run *logbook.CapacityCheck) (err error) {
	s.record.Verdict, s.record.TrueBytes = string(run.Verdict), run.TrueBytes
	if s.record.Document, err = json.Marshal(run); err != nil {
		return err
	}
	return s.options.Book.FinishCapacity(context.WithoutCancel(ctx), s.record)
}
