package job

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"cardwright/flash"
	"cardwright/internal/logbook"
	"cardwright/partition"
)

// A record is a run's record from its opening to its close. The card's goroutine closes it, or whoever gives up waiting for
// that goroutine, whichever comes first.
type record struct {
	book   *logbook.Book
	noBook error // why there is none
	image  Image

	mu       sync.Mutex
	known    logbook.Run // the run as it was opened, and a verdict of damage since it was made
	closed   logbook.Run // the run as it was closed
	isClosed bool
}

// newRecord makes the record of a run that is not opened yet.
func newRecord(o Options, image Image, run logbook.Run) *record {
	return &record{book: o.Book, noBook: o.Unrecorded, image: image, known: run}
}

// open opens the record. A logbook that fails does not stop the card: the run says that it is not recorded.
func (r *record) open(ctx context.Context, run *logbook.Run) {
	err := r.noBook
	if r.book != nil {
		err = r.book.Begin(ctx, run, r.image.Facts())
	}
	if err != nil {
		find(run, notRecorded(err))
	}
	r.keep(run)
}

// keep makes the run what is known of it should it be given up. The proof is copied, since the card's goroutine goes on with it.
func (r *record) keep(run *logbook.Run) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.known = *run
	if run.Proof != nil {
		proof := *run.Proof
		proof.Damage = slices.Clone(proof.Damage)
		r.known.Proof = &proof
	}
}

// close closes the record and makes the run the result, and tells false where it was given up before.
func (r *record) close(ctx context.Context, run *logbook.Run, samples []flash.Sample) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.isClosed {
		return false
	}
	r.finish(ctx, run, samples)
	return true
}

// giveUp closes the record of a card that is not waited for, from what is known for sure, since its goroutine still holds the
// rest; it tells false where the record was closed before.
func (r *record) giveUp(ctx context.Context, meter *flash.Meter, cause error) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.isClosed {
		return false
	}
	look := meter.Look()
	failure := &flash.Error{Step: look.Step, OffsetBytes: look.EndBytes, Err: cause}
	if s, ok := errors.AsType[stuckCall](cause); ok && s.call.HasPlace() {
		failure.OffsetBytes = s.call.OffsetBytes
	}
	run := r.known
	run.Findings = slices.Clone(run.Findings)
	run.Error = failureOf(failure)
	run.PaceReason = "the card was not waited for"
	if run.Operation == logbook.OperationFlash && headMayStand(look.Step) {
		find(&run, notBlanked(cause))
	}
	meter.Enter(flash.StepRecord)
	r.finish(ctx, &run, nil)
	return true
}

// lastWord is how long an interrupt still leaves for closing a record, in a logbook that others may have locked.
const lastWord = 500 * time.Millisecond

// finish writes the record's end, also when the operator interrupted the job.
func (r *record) finish(ctx context.Context, run *logbook.Run, samples []flash.Sample) {
	if r.book != nil && run.RunID != 0 {
		closing, end := context.WithCancel(context.WithoutCancel(ctx))
		defer end()
		defer context.AfterFunc(ctx, func() { time.AfterFunc(lastWord, end) })()
		if err := r.book.Finish(closing, run, r.image.Facts(), samples); err != nil {
			find(run, notRecorded(err))
		}
	}
	r.isClosed, r.closed = true, *run
}

// result is the run as it was closed.
func (r *record) result() logbook.Run {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.closed
}

// headMayStand tells whether a card that fails in this step may hold its head.
func headMayStand(step flash.Step) bool {
	return step == flash.StepHead || step == flash.StepInspect || step == flash.StepRecord
}

// find tells something of a run, once.
func find(run *logbook.Run, finding partition.Finding) {
	if !slices.Contains(run.Findings, finding) {
		run.Findings = append(run.Findings, finding)
	}
}

func notRecorded(err error) partition.Finding {
	return partition.Finding{
		Code: "not-recorded", Severity: partition.Warning,
		Sentence: "This run could not be recorded in the logbook.", Evidence: err.Error(),
	}
}

func notBlanked(err error) partition.Finding {
	return partition.Finding{
		Code: "not-blanked", Severity: partition.Warning,
		Sentence: "The card's first 1 MiB could not be zeroed again: do not boot from it, flash it again.", Evidence: err.Error(),
	}
}
