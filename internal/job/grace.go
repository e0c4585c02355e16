package job

import (
	"context"
	"fmt"
	"time"
)

// defaultGrace is how long a card may take to return from its call once the operator interrupted the job.
const defaultGrace = 10 * time.Second

// afterInterrupt gives a channel that is closed so long after the context ended; 0 stands for the default.
func afterInterrupt(ctx context.Context, grace time.Duration) <-chan struct{} {
	if grace == 0 {
		grace = defaultGrace
	}
	late := make(chan struct{})
	context.AfterFunc(ctx, func() { time.AfterFunc(grace, func() { close(late) }) })
	return late
}

// stuck is why a card is given up after an interrupt.
func stuck(ctx context.Context) error {
	return fmt.Errorf("%w; a call to the card has not returned", context.Cause(ctx))
}
