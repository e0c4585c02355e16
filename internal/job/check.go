package job

import (
	"context"
	"time"

	"cardwright/flash"
	"cardwright/internal/logbook"
	"cardwright/verify"
)

// Check proves a card against an image once more and writes nothing to it: it decodes the image for its manifest, then
// reads the card. The result holds one run.
func Check(ctx context.Context, image Image, t Target, o Options) *Result {
	facts := image.Facts()
	if runs, refused := tooSmall(image, []Target{t}, logbook.OperationCheck); refused {
		return &Result{facts, runs}
	}
	if t.Meter == nil {
		t.Meter = &flash.Meter{}
	}
	c := &checking{Target: t, image: image, book: o.Book, run: newRun(t, logbook.OperationCheck)}
	c.run.PaceReason = "a check writes nothing"
	err := o.Unrecorded
	if c.book != nil {
		err = c.book.Begin(ctx, &c.run, facts)
	}
	if err != nil {
		c.run.Findings = append(c.run.Findings, notRecorded(err))
	}
	if err := c.steps(ctx); err != nil {
		c.run.Error = failureOf(err)
	}
	c.Meter.Enter(flash.StepRecord)
	facts = image.Facts()
	if c.run.RunID != 0 {
		if err := c.book.Finish(context.WithoutCancel(ctx), &c.run, facts, nil); err != nil {
			c.run.Findings = append(c.run.Findings, notRecorded(err))
		}
	}
	return &Result{facts, []logbook.Run{c.run}}
}

// A checking is the state of one check.
type checking struct {
	Target
	image Image
	book  *logbook.Book
	run   logbook.Run
}

func (c *checking) steps(ctx context.Context) error {
	c.Meter.Enter(flash.StepSource)
	pump := flash.NewPump(flash.NewPool(buffersForSource))
	pump.LimitBytes = c.Card.SizeBytes()
	excerpt := observed(pump, c.image)
	if err := pump.Run(ctx, c.image); err != nil {
		return &flash.Error{Step: flash.StepSource, Err: err}
	}
	if err := c.prove(ctx, pump.Manifest()); err != nil {
		return err
	}
	return c.inspect(excerpt, pump.Manifest().ImageBytes)
}

// prove reads the whole card back and makes the verdict.
func (c *checking) prove(ctx context.Context, manifest *flash.Manifest) error {
	err := c.Card.DropCache()
	fromMedium := err == nil
	if err != nil {
		c.run.Conditions.CacheDropComplaint = err.Error()
	}
	began := time.Now()
	prover := verify.NewProver(c.Card, manifest, c.Meter)
	err = prover.Blocks(ctx, 0, len(manifest.Blocks))
	c.run.Proof = prover.Proof(fromMedium)
	if err != nil {
		return err
	}
	c.run.TimeToProvenSeconds = new(time.Since(began).Seconds())
	c.run.Verdict = logbook.Intact
	if !prover.Sound() {
		c.run.Verdict = logbook.Damaged
	}
	return nil
}

// inspect reads the card's table, holds it against the image's, and names where the damage lies.
func (c *checking) inspect(excerpt *excerpt, imageBytes int64) error {
	c.Meter.Enter(flash.StepInspect)
	image, err := inspect(&c.run, c.Card, excerpt, imageBytes)
	if err == nil {
		nameDamage(c.run.Proof.Damage, image)
	}
	return err
}
