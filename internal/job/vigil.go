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
	stallLimit time.Duration
	done       <-chan struct{}       // closed by the card's goroutine when it ends
	othersWait func() (giveUp error) // asked every second; nil where the card is alone
}

// keep waits until the card's goroutine ended and returns nil, or says why the card is not waited for any longer.
func (v vigil) keep(ctx context.Context) error {
	watch := time.NewTicker(time.Second)
	defer watch.Stop()
	interrupted := ctx.Done()
	var late <-chan time.Time
	suspected := false // a process that was stopped for a while must not find its cards silent
	for {
		select {
		case <-v.done:
			return nil
		case <-interrupted:
			interrupted, late = nil, time.After(grace)
		case <-late:
			return v.stuck(context.Cause(ctx))
		case <-watch.C:
			call, still := v.meter.CallFor(v.stallLimit)
			if still && suspected {
				return stuckCall{call, fmt.Errorf("%w: %v has not returned for %v", flash.ErrStalled, call, v.stallLimit)}
			}
			suspected = still
			if v.othersWait == nil {
				continue
			}
			if err := v.othersWait(); err != nil {
				return v.stuck(err)
			}
		}
	}
}

// stuck says why a card is not waited for, and in which call it is.
func (v vigil) stuck(why error) error {
	if call, under := v.meter.Call(); under {
		return stuckCall{call, fmt.Errorf("%w; %v has not returned yet", why, call)}
	}
	return fmt.Errorf("%w; the card has not come to its end yet", why)
}

// A stuckCall is why a card is given up, with the call that it left unanswered.
type stuckCall struct {
	call flash.Call
	err  error
}

func (s stuckCall) Error() string { return s.err.Error() }

func (s stuckCall) Unwrap() error { return s.err }
