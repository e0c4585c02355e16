package job

import (
	"context"
	"fmt"
	"time"

	"cardwright/flash"
)

const (
	// DefaultStallLimit is how long one call to a card may take before the card is given up.
	DefaultStallLimit = 60 * time.Second
	// grace is how long a card may take to return from its call once the operator interrupted the job. With the second that the
	// pump leaves a hanging source, and what closing the records may take (lastWord), the report is there within two seconds.
	grace = 1250 * time.Millisecond
)

// A vigil waits for the goroutine of one card, but not for ever: a call that is stuck in the kernel cannot be taken back.
type vigil struct {
	meter      *flash.Meter
	stallLimit time.Duration         // 0: DefaultStallLimit
	done       <-chan struct{}       // closed by the card's goroutine when it ends
	othersWait func() (giveUp error) // asked every second; nil where the card is alone
}

// keep waits until the card's goroutine ended and returns nil, or says why the card is not waited for any longer.
func (v vigil) keep(ctx context.Context) error {
	limit := v.stallLimit
	if limit == 0 {
		limit = DefaultStallLimit
	}
	watch := time.NewTicker(time.Second)
	defer watch.Stop()
	interrupted := ctx.Done()
	var late <-chan time.Time
	for {
		select {
		case <-v.done:
			return nil
		case <-interrupted:
			interrupted, late = nil, time.After(grace)
		case <-late:
			return v.stuck(context.Cause(ctx))
		case <-watch.C:
			if call, still := v.meter.CallFor(limit); still {
				return fmt.Errorf("%w: %v has not returned for %v", flash.ErrStalled, call, limit)
			}
			if v.othersWait == nil {
				continue
			}
			if err := v.othersWait(); err != nil {
				return err
			}
		}
	}
}

// stuck says why a card is not waited for after an interrupt.
func (v vigil) stuck(interrupt error) error {
	if call, under := v.meter.Call(); under {
		return fmt.Errorf("%w; %v has not returned yet", interrupt, call)
	}
	return fmt.Errorf("%w; the card has not come to its end yet", interrupt)
}
