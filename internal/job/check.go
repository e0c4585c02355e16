package job

import (
	"context"
	"errors"
	"time"

	"cardwright/flash"
	"cardwright/internal/logbook"
	"cardwright/verify"
)

// Check proves a card against an image once more and writes nothing to it: it decodes the image for its manifest, then
// reads the card. The result holds one run. A card that stopped answering, or that an interrupt finds stuck in a call, is not
// waited for.
func Check(ctx context.Context, image Image, t Target, o Options) *Result {
	facts := image.Facts()
	if runs, refused := tooSmall(image, []Target{t}, logbook.OperationCheck); refused {
		return &Result{facts, runs, restOf(nil)}
	}
	t.watch()
	c := &checking{Target: t, run: newRun(t, logbook.OperationCheck), again: &secondLook{open: o.Again}}
	c.run.PaceReason = "a check writes nothing"
	declared, _ := image.DeclaredBytes()
	c.free = freeBlocks(o.Free, declared)
	c.run.Conditions.SkipFree = c.free != nil
	c.record = newRecord(o, image, c.run)
	c.open(ctx, &c.run)
	done := make(chan struct{})
	go func() { // ends with its last step; awaited below, unless a call never returns
		defer close(done)
		c.walk(ctx)
	}()
	v := vigil{meter: c.Meter, stallLimit: o.stallLimit(), done: done}
	if cause := v.keep(ctx); cause != nil {
		c.giveUp(ctx, c.Meter, cause)
	}
	return &Result{image.Facts(), []logbook.Run{c.result()}, done}
}

// A checking is the state of one check. Its goroutine owns it, but for the record.
type checking struct {
	Target
	*record
	run   logbook.Run
	again *secondLook
	free  []bool // blocks that are not compared
}

// walk is the whole check.
func (c *checking) walk(ctx context.Context) {
	if err := c.steps(ctx); err != nil {
		c.run.Error = failureOf(err)
	}
	c.Meter.Enter(flash.StepRecord)
	c.close(ctx, &c.run, nil)
}

func (c *checking) steps(ctx context.Context) error {
	c.Meter.Enter(flash.StepSource)
	pump := flash.NewPump(flash.NewPool(buffersForSource))
	pump.LimitBytes, pump.Free = c.Card.SizeBytes(), c.free
	excerpt := observed(pump, c.image)
	err := pump.Run(ctx, c.image)
	if errors.Is(err, flash.ErrTooSmall) {
		return &flash.Error{Step: flash.StepProof, OffsetBytes: c.Card.SizeBytes(), Err: err}
	}
	if err != nil {
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
	err = prover.Whole(ctx)
	c.run.Proof = prover.Proof(fromMedium)
	if err != nil {
		return err
	}
	c.run.TimeToProvenSeconds = new(time.Since(began).Seconds())
	c.run.Verdict = logbook.Intact
	if !prover.Sound() {
		c.run.Verdict = logbook.Damaged
		c.keep(&c.run)
		c.again.explain(ctx, &c.run, prover)
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
