package job

import (
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

// A CapacityRun is one check of a card's size: what is printed and what is stored.
type CapacityRun struct {
	Device    string    `json:"device"`
	Label     string    `json:"label"`
	CheckID   int64     `json:"check_id"` // 0 where nothing was recorded
	CardID    int64     `json:"card_id"`  // 0 where nothing was recorded
	StartedAt time.Time `json:"checked_at"`
	capacity.Result
	Leftover *capacity.Leftover  `json:"leftover"` // what an earlier check had left, and what became of it; null where there was nothing
	Findings []partition.Finding `json:"findings"`
	Error    *logbook.Failure    `json:"error"`
}

// Capacity finds out whether a card is as large as it says. It always gives a run; what went wrong stands in it. What an
// interrupted check left undone on this card is undone first. An interrupt ends the check, and is answered once what the card
// held is back on it. Of a card whose call never returns nothing more is awaited; the channel is closed when that call has
// returned after all.
func Capacity(ctx context.Context, t Target, o CapacityOptions) (CapacityRun, <-chan struct{}) {
	t.watch()
	sizing := &sizing{Target: t, options: o, began: time.Now().UTC()}
	sizing.record = sizing.opened(ctx)
	found := make(chan CapacityRun, 1)
	done := make(chan struct{})
	go func() { // ends with the check; awaited below, unless a call never returns
		defer close(done)
		found <- sizing.check(ctx)
	}()
	v := vigil{meter: t.Meter, stallLimit: Options{StallLimit: o.StallLimit}.stallLimit(), done: done}
	// An interrupt is not answered here: the content is put back meanwhile.
	if cause := v.keep(context.WithoutCancel(ctx)); cause != nil {
		return sizing.closed(ctx, sizing.givenUp(cause)), done
	}
	return sizing.closed(ctx, <-found), done
}

// A sizing is one check of a card's size.
type sizing struct {
	Target
	options    CapacityOptions
	began      time.Time
	record     *logbook.CapacityRecord // nil where nothing is recorded
	unrecorded error
}

// check is the whole check but for its record.
func (s *sizing) check(ctx context.Context) CapacityRun {
	run := s.begun()
	leftover, err := capacity.RestoreLeftover(ctx, s.Card, s.asked())
	run.Leftover = leftover
	if err != nil && !s.erases() {
		return failed(run, err)
	}
	look := capacity.Quick
	if s.options.Mode == capacity.ModeFull {
		look = capacity.Full
	}
	result, err := look(ctx, s.Card, s.asked())
	if result != nil {
		run.Result = *result
	}
	if err != nil {
		return failed(run, err)
	}
	return run
}

// erases tells whether the operator gave up what the card holds.
func (s *sizing) erases() bool { return s.options.Erase || s.options.Mode == capacity.ModeFull }

// asked is what the check itself is asked for.
func (s *sizing) asked() capacity.Options {
	return capacity.Options{
		Erase: s.options.Erase, Folder: s.options.Folder, Meter: s.options.Meter,
		Card: capacity.Mark{CID: s.Conditions.CardRegisterCID, Node: s.Conditions.Node, SizeBytes: s.Card.SizeBytes()},
	}
}

// begun is the run as far as it is known before anything happens.
func (s *sizing) begun() CapacityRun {
	run := CapacityRun{
		Device: s.Device, Label: s.Label, StartedAt: s.began, Findings: []partition.Finding{},
		Result: capacity.Result{ClaimedBytes: s.Card.SizeBytes(), Mode: capacity.ModeQuick, BadRanges: []capacity.Range{}},
	}
	if s.options.Mode != "" {
		run.Mode = s.options.Mode
	}
	return run
}

// givenUp is the run of a card that is not waited for.
func (s *sizing) givenUp(cause error) CapacityRun {
	failure := &flash.Error{Step: s.Meter.Look().Step, Err: cause}
	if stuck, ok := errors.AsType[stuckCall](cause); ok && stuck.call.HasPlace() {
		failure.OffsetBytes = stuck.call.OffsetBytes
	}
	return failed(s.begun(), failure)
}

// failed gives a run its failure. Nothing is said of the card's size then.
func failed(run CapacityRun, err error) CapacityRun {
	run.Error = failureOf(err)
	run.Verdict, run.TrueBytes = "", nil
	return run
}

// opened opens the record, before anything is written to the card.
func (s *sizing) opened(ctx context.Context) *logbook.CapacityRecord {
	s.unrecorded = s.options.Unrecorded
	if s.options.Book == nil {
		return nil
	}
	run := s.begun()
	record := &logbook.CapacityRecord{
		Device: s.Device, Label: s.Label, Bay: bayOf(s.Target), StartedAt: s.began, Mode: string(run.Mode),
		ClaimedBytes: run.ClaimedBytes,
	}
	if s.unrecorded = s.options.Book.BeginCapacity(ctx, record, registersOf(s.Identity, s.Conditions.CardRegisterCID)); s.unrecorded != nil {
		return nil
	}
	return record
}

// closed closes the record. A logbook that fails changes nothing about the card: the run says that it is not recorded.
func (s *sizing) closed(ctx context.Context, run CapacityRun) CapacityRun {
	if s.record != nil {
		run.CheckID, run.CardID = s.record.CheckID, s.record.CardID
		s.record.Verdict, s.record.TrueBytes = string(run.Verdict), run.TrueBytes
		document, err := json.Marshal(run)
		if err == nil {
			s.record.Document = document
			err = s.options.Book.FinishCapacity(context.WithoutCancel(ctx), s.record)
		}
		s.unrecorded = err
	}
	if s.unrecorded != nil {
		run.Findings = append(run.Findings, notRecorded(s.unrecorded))
	}
	return run
}
