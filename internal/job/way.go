package job

import (
	"context"
	"errors"
	"time"

	"cardwright/flash"
	"cardwright/internal/logbook"
	"cardwright/partition"
	"cardwright/verify"
)

// A way is one card's way through a flash job. Its goroutine owns it, but for the record.
type way struct {
	Target
	*record
	floor      float64
	stallLimit time.Duration
	again      *secondLook
	pump       *flash.Pump
	feed       *flash.Feed
	excerpt    *excerpt
	writer     *flash.Writer
	prover     *verify.Prover
	run        logbook.Run
	skipped    int64         // how much of the image was left out, once all the rest is written
	medium     bool          // reads come from the medium
	besides    time.Duration // what the card's own files took
	done       chan struct{}
	end        context.CancelCauseFunc // ends the way when it is given up; set before it is walked
}

func newWay(t Target, o Options, pump *flash.Pump, excerpt *excerpt, image Image, again *secondLook) *way {
	t.watch()
	w := &way{
		Target: t, floor: o.FloorBytesPerSecond, stallLimit: o.stallLimit(), again: again,
		pump: pump, feed: pump.Feed(t.Meter), excerpt: excerpt, run: newRun(t, logbook.OperationFlash), done: make(chan struct{}),
	}
	w.record = newRecord(o, image, w.run)
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
	if w.run.Verdict == logbook.Damaged { // the head is off the card before time is spent on this
		w.explain(ctx)
	}
	w.measure(context.WithoutCancel(ctx))
	w.Meter.Enter(flash.StepRecord)
	if first := w.close(ctx, &w.run, w.samples()); !first && intact {
		w.blank(nil)
	}
}

// steps are the steps in their order.
func (w *way) steps(ctx context.Context) error {
	if err := w.feed.AwaitHead(ctx); err != nil {
		return &flash.Error{Step: flash.StepSource, Err: err}
	}
	w.open(ctx, &w.run)
	if ctx.Err() != nil { // an interrupt while the record was opened: clearing must not begin
		return &flash.Error{Step: flash.StepSource, Err: context.Cause(ctx)}
	}
	w.doubt(ctx)
	w.writer = flash.NewWriter(w.Card, w.Meter, w.judge(ctx))
	if err := w.writer.Clear(); err != nil {
		return err
	}
	w.discard(ctx)
	if err := w.writer.WriteBody(ctx, w.feed); err != nil {
		return err
	}
	w.skipped = w.pump.Manifest().FreeBytes()
	if sound, err := w.proveBody(ctx); !sound || err != nil {
		return err
	}
	head, sound, err := w.putFiles(ctx)
	if !sound || err != nil {
		return err
	}
	if err := w.writer.WriteHead(ctx, head); err != nil {
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

// judge fetches what the card's pace is judged by. Peers are asked for again at the end, when the image is known by its
// digest and not only by its name.
func (w *way) judge(ctx context.Context) flash.Judge {
	conditions := &w.run.Conditions
	judge := flash.Judge{
		FloorBytesPerSecond: w.floor,
		Claim:               flash.Claim{BytesPerSecond: conditions.ClaimBytesPerSecond, Marks: conditions.Claim},
		Bus:                 flash.Bus{BytesPerSecond: conditions.BusBytesPerSecond, Name: conditions.BusMode},
	}
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
	w.prover = verify.NewProver(w.Card, w.pump.Manifest(), w.Meter)
	w.dropCache()
	return w.proved(w.prover.Body(ctx))
}

// proveHead reads back the head, and the blocks that it could have overwritten.
func (w *way) proveHead(ctx context.Context) (sound bool, err error) {
	w.dropCache()
	if sound, err := w.proved(w.prover.Head(ctx)); !sound || err != nil {
		return sound, err
	}
	w.provenNow()
	return true, nil
}

// proved takes the proof's state into the run. Only a proof that ended makes a verdict.
func (w *way) proved(err error) (sound bool, _ error) {
	w.run.Proof = w.prover.Proof(w.medium)
	if err != nil {
		return false, err
	}
	if w.prover.Sound() {
		return true, nil
	}
	w.provenNow()
	w.run.Verdict = logbook.Damaged
	w.keep(&w.run) // whatever comes of blanking the card and of the second look
	return false, nil
}

// explain finds out where the damage's content comes from, and names the partitions that it lies in.
func (w *way) explain(ctx context.Context) {
	w.again.explain(ctx, &w.run, w.prover)
	if table, err := w.excerpt.table(w.Card, w.pump.Manifest().ImageBytes); err == nil {
		nameDamage(w.run.Proof.Damage, table)
	}
}

// provenNow takes the time of the last block that was compared, without what the card's own files took.
func (w *way) provenNow() {
	w.run.TimeToProvenSeconds = new((time.Since(w.writer.Trace().Begun()) - w.besides).Seconds())
}

// dropCache makes the proof's reads come from the medium, or notes that they may not.
func (w *way) dropCache() {
	err := w.Card.DropCache()
	w.medium = err == nil
	if err != nil {
		w.run.Conditions.CacheDropComplaint = err.Error()
	}
}

// inspect reads table and file systems from the card, holds them against the image's, takes the imprint, and tells the kernel.
func (w *way) inspect() error {
	w.Meter.Enter(flash.StepInspect)
	if _, err := inspect(&w.run, w.Card, w.excerpt, w.pump.Manifest().ImageBytes); err != nil {
		return err
	}
	if err := imprint(&w.run, w.Card); err != nil {
		return err
	}
	w.run.Conditions.KernelRereadTable = w.rereadTable()
	return nil
}

// blank takes the head's place off a card that is not intact, and says so where that may have failed.
func (w *way) blank(cause error) {
	if errors.Is(cause, flash.ErrGone) {
		if headMayStand(w.run.Error.Step) {
			w.find(notBlanked(cause))
		}
		return
	}
	err := w.writer.Blank()
	if err == nil {
		_ = w.Card.DropCache() // where it fails, what is read may come from a cache: the best that can be had
		err = verify.Cleared(w.Card)
	}
	if err != nil {
		w.find(notBlanked(err))
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
	w.run.Write.SkippedBytes = w.skipped
	w.run.TimeToFlashSeconds = new(trace.TimeToFlash().Seconds())
	w.run.SourceWaitSeconds = new(trace.SourceWait().Seconds())
	w.run.Pace, w.run.PaceReason = judgement.Pace, judgement.Reason
	w.run.Conditions.SourceWasTheLimit = judgement.SourceWasTheLimit
	w.run.Conditions.BusWasTheLimit = judgement.BusWasTheLimit
	w.run.Conditions.PeersCount = judgement.Peers
	w.run.Conditions.PeersMedian = judgement.PeersMedian
	w.run.Conditions.PeersSpread = judgement.PeersSpread
	if w.run.Verdict == logbook.Intact {
		w.doubt(ctx)
	}
}

// doubt tells what contradicts itself in the card's registers, and beside other cards: before anything is written, and once more
// when its rate is known.
func (w *way) doubt(ctx context.Context) {
	n := Neighbourhood{
		SizeBytes: w.Card.SizeBytes(), Label: w.Label, Place: w.Device, Twins: w.Twins, Printed: w.Rated, Book: w.book,
		WriteBytesPerSecond: rateOfItself(&w.run),
	}
	for _, finding := range Doubts(ctx, w.Identity, n) {
		if finding.Severity != partition.Information { // hints are told by identify, which is asked for them
			w.find(finding)
		}
	}
}

func (w *way) samples() []flash.Sample {
	if w.writer == nil {
		return nil
	}
	return w.writer.Trace().Samples()
}

// find tells something of this run, once.
func (w *way) find(finding partition.Finding) { find(&w.run, finding) }
