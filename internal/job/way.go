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
	"cardwright/verify"
)

// A way is one card's way through a flash job. Its goroutine owns it, but for what the mutex guards.
type way struct {
	Target
	book    *logbook.Book
	noBook  error // why there is none
	floor   float64
	pump    *flash.Pump
	feed    *flash.Feed
	excerpt *excerpt
	image   Image
	writer  *flash.Writer
	prover  *verify.Prover
	run     logbook.Run
	medium  bool // reads come from the medium
	done    chan struct{}
	end     context.CancelCauseFunc // ends the way when it is given up; set before it is walked

	mu       sync.Mutex
	begun    logbook.Run // the run as it was opened
	closed   logbook.Run // the run as it was closed
	isClosed bool
}

func newWay(t Target, o Options, pump *flash.Pump, excerpt *excerpt, image Image) *way {
	if t.Meter == nil {
		t.Meter = &flash.Meter{}
	}
	w := &way{
		Target: t, book: o.Book, noBook: o.Unrecorded, floor: o.FloorBytesPerSecond, pump: pump, feed: pump.Feed(t.Meter),
		excerpt: excerpt, image: image, run: newRun(t, logbook.OperationFlash), done: make(chan struct{}),
	}
	w.begun = w.run
	return w
}

// walk is the whole way of one card. After a failure the later steps do not run, and a card whose record does not say that
// it is intact keeps no head: also one that was given up while its call hung, when that call returns after all.
func (w *way) walk(ctx context.Context) {
	defer close(w.done)
	defer w.feed.Close()
	err := w.steps(ctx)
	if err != nil {
		w.run.Error = failureOf(err)
	}
	intact := w.run.Verdict == logbook.Intact
	if w.writer != nil && !intact {
		w.blank(err)
	}
	w.measure(context.WithoutCancel(ctx))
	w.Meter.Enter(flash.StepRecord)
	if recorded := w.close(ctx); !recorded && intact {
		w.blank(nil)
	}
}

// steps are the steps in their order.
func (w *way) steps(ctx context.Context) error {
	if _, err := w.feed.Head(ctx); err != nil {
		return &flash.Error{Step: flash.StepSource, Err: err}
	}
	w.begin(ctx)
	if err := w.writer.Clear(); err != nil {
		return err
	}
	if err := w.writer.WriteBody(ctx, w.feed); err != nil {
		return err
	}
	if sound, err := w.proveBody(ctx); !sound || err != nil {
		return err
	}
	if err := w.writer.WriteHead(ctx, w.pump.Head()); err != nil {
		return err
	}
	if sound, err := w.proveHead(ctx); !sound || err != nil {
		return err
	}
	if err := w.inspect(); err != nil {
		return err
	}
	w.run.Verdict = logbook.Intact
	return nil
}

// begin opens the run's record and gets ready to write. A logbook that fails does not stop the card: the run says that
// it is not recorded.
func (w *way) begin(ctx context.Context) {
	err := w.noBook
	if w.book != nil {
		err = w.book.Begin(ctx, &w.run, w.image.Facts())
	}
	if err != nil {
		w.notRecorded(err)
	}
	w.mu.Lock()
	w.begun = w.run
	w.mu.Unlock()
	w.writer = flash.NewWriter(w.Card, w.Meter, w.judge(ctx))
}

// judge fetches what the card's pace is judged by. Peers are asked for again at the end, when the image is known by its
// digest and not only by its name.
func (w *way) judge(ctx context.Context) flash.Judge {
	judge := flash.Judge{FloorBytesPerSecond: w.floor}
	if w.book == nil || w.run.RunID == 0 {
		return judge
	}
	var err error
	if judge.Peers, err = w.book.Peers(ctx, &w.run, w.image.Facts()); err != nil {
		w.find(partition.Finding{
			Code: "peers-unknown", Severity: partition.Information,
			Sentence: "The peers could not be read from the logbook.", Evidence: err.Error(),
		})
	}
	return judge
}

// proveBody reads back every block but the head, and makes sure that none of them went to the head's place.
func (w *way) proveBody(ctx context.Context) (sound bool, err error) {
	manifest := w.pump.Manifest()
	w.prover = verify.NewProver(w.Card, manifest, w.Meter)
	w.dropCache()
	err = w.prover.Blocks(ctx, 1, len(manifest.Blocks))
	if err == nil && len(manifest.Blocks) > 1 {
		err = w.prover.HeadStaysClear(ctx)
	}
	return w.proved(err)
}

// proveHead reads back the head, and the blocks that it could have overwritten.
func (w *way) proveHead(ctx context.Context) (sound bool, err error) {
	w.dropCache()
	err = w.prover.Blocks(ctx, 0, 1)
	if err == nil {
		err = w.prover.ApartFromHead(ctx)
	}
	return w.proved(err)
}

// proved takes the proof's state into the run. Only a proof that ended makes a verdict.
func (w *way) proved(err error) (sound bool, _ error) {
	w.run.Proof = w.prover.Proof(w.medium)
	if err != nil {
		return false, err
	}
	w.run.TimeToProvenSeconds = new(time.Since(w.writer.Trace().Begun()).Seconds())
	if w.prover.Sound() {
		return true, nil
	}
	w.run.Verdict = logbook.Damaged
	if table, err := w.excerpt.table(w.Card, w.pump.Manifest().ImageBytes); err == nil {
		nameDamage(w.run.Proof.Damage, table)
	}
	return false, nil
}

// dropCache makes the proof's reads come from the medium, or notes that they may not.
func (w *way) dropCache() {
	err := w.Card.DropCache()
	w.medium = err == nil
	if err != nil {
		w.run.Conditions.CacheDropComplaint = err.Error()
	}
}

// inspect reads table and file systems from the card, holds them against the image's, and tells the kernel.
func (w *way) inspect() error {
	w.Meter.Enter(flash.StepInspect)
	if _, err := inspect(&w.run, w.Card, w.excerpt, w.pump.Manifest().ImageBytes); err != nil {
		return err
	}
	if w.Reader != nil {
		w.run.Conditions.KernelRereadTable = w.Reader.RereadTable() == nil
	}
	return nil
}

// blank takes the head's place off a card that is not intact, and says so where that may have failed.
func (w *way) blank(cause error) {
	if errors.Is(cause, flash.ErrGone) {
		return
	}
	if err := w.writer.Blank(); err != nil {
		w.find(partition.Finding{
			Code: "not-blanked", Severity: partition.Warning,
			Sentence: "The card's first 1 MiB could not be zeroed again: do not boot from it.", Evidence: err.Error(),
		})
	}
}

// measure takes the figures and the final pace into the run.
func (w *way) measure(ctx context.Context) {
	if w.writer == nil || w.writer.Trace().Begun().IsZero() {
		w.run.PaceReason = "nothing was written"
		return
	}
	trace := w.writer.Trace()
	judgement := w.judge(ctx).Judge(trace)
	w.run.Write = new(trace.Figures(w.Card.Direct()))
	w.run.TimeToFlashSeconds = new(trace.TimeToFlash().Seconds())
	w.run.SourceWaitSeconds = new(trace.SourceWait().Seconds())
	w.run.Pace, w.run.PaceReason = judgement.Pace, judgement.Reason
	w.run.Conditions.SourceWasTheLimit = judgement.SourceWasTheLimit
	w.run.Conditions.PeersCount = judgement.Peers
	w.run.Conditions.PeersMedian = judgement.PeersMedian
	w.run.Conditions.PeersSpread = judgement.PeersSpread
}

// find tells something of this run, once.
func (w *way) find(finding partition.Finding) {
	if !slices.Contains(w.run.Findings, finding) {
		w.run.Findings = append(w.run.Findings, finding)
	}
}
