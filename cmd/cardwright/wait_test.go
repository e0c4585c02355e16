package main

import (
	"context"
	"errors"
	"testing"
)

// A call that never returns keeps nobody from the end.
func TestInterruptDoesNotWaitForACall(t *testing.T) {
	ctx, cancel := context.WithCancelCause(t.Context())
	hanging := make(chan struct{})
	defer close(hanging)
	_, err := unlessInterrupted(ctx, func() (int, error) {
		cancel(interruption{})
		<-hanging
		return 1, nil
	})
	if !errors.Is(err, interruption{}) {
		t.Errorf("it says %v", err)
	}
}
