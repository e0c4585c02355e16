package main

import "context"

// unlessInterrupted calls what may hang, such as the opening of a pipe that nobody fills or of a card that answers no more, and
// gives up waiting for it when the context ends.
func unlessInterrupted[T any](ctx context.Context, call func() (T, error)) (T, error) {
	type answer struct {
		value T
		err   error
	}
	answered := make(chan answer, 1)
	go func() { // ends with the call; one that hangs ends with the program, which the interrupt is about to end
		value, err := call()
		answered <- answer{value, err}
	}()
	select {
	case a := <-answered:
		return a.value, a.err
	case <-ctx.Done():
		var none T
		return none, context.Cause(ctx)
	}
}
