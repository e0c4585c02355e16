package job

import (
	"context"

	"cardwright/flash"
	"cardwright/partition"
)

// close closes the run's record and makes it the result, and tells false where the job gave this way up before.
func (w *way) close(ctx context.Context) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.isClosed {
		return false
	}
	var samples []flash.Sample
	if w.writer != nil {
		samples = w.writer.Trace().Samples()
	}
	w.finish(ctx, samples)
	w.isClosed, w.closed = true, w.run
	return true
}

// giveUp closes the record of a way whose card answers no call, from what was known when it began: the way's goroutine
// still holds the rest. It ends that way: nothing but blanking follows once the call returns.
func (w *way) giveUp(cause error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.isClosed {
		return
	}
	stuck := way{Target: w.Target, book: w.book, image: w.image, run: w.begun}
	look := w.Meter.Look()
	stuck.run.Error = failureOf(&flash.Error{Step: look.Step, OffsetBytes: look.EndBytes, Err: cause})
	stuck.run.PaceReason = "the card did not answer"
	stuck.finish(context.Background(), nil)
	w.isClosed, w.closed = true, stuck.run
	w.end(cause)
}

// finish writes the record's end, also when the operator interrupted the job.
func (w *way) finish(ctx context.Context, samples []flash.Sample) {
	if w.book == nil || w.run.RunID == 0 {
		return
	}
	if err := w.book.Finish(context.WithoutCancel(ctx), &w.run, w.image.Facts(), samples); err != nil {
		w.notRecorded(err)
	}
}

func (w *way) notRecorded(err error) { w.find(notRecorded(err)) }

func notRecorded(err error) partition.Finding {
	return partition.Finding{
		Code: "not-recorded", Severity: partition.Warning,
		Sentence: "This run could not be recorded in the logbook.", Evidence: err.Error(),
	}
}
