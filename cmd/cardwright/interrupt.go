package main

import (
	"context"
	"os"
	"os/signal"
	"sync"
	"syscall"

	"cardwright/internal/terminal"
)

// interruptible gives a context that ends with the first signal; a second one ends the program at once. A command that can end
// more gently asks for the first interrupt by onFirstInterrupt.
func interruptible(parent context.Context) (context.Context, context.CancelFunc) {
	// Without this, a closed pipe behind standard error would kill the program in the middle of a card.
	signal.Ignore(syscall.SIGPIPE)
	ctx, cancel := context.WithCancelCause(parent)
	caught := make(chan os.Signal, 3)
	signal.Notify(caught, syscall.SIGINT, syscall.SIGTERM)
	if !signal.Ignored(syscall.SIGHUP) { // as under nohup
		signal.Notify(caught, syscall.SIGHUP)
	}
	wish := &gentleness{}
	go func() { // ends with the process
		for signal := range caught {
			if wish.granted(signal) {
				continue
			}
			if ctx.Err() != nil {
				terminal.Restore() // the progress bars turned the terminal's echo off
				os.Exit(int(interrupted))
			}
			cancel(interruption{})
		}
	}()
	return context.WithValue(ctx, gentlenessKey{}, wish), func() { cancel(nil) }
}

// A gentleness is what a command wants to be done at the first interrupt, instead of being ended.
type gentleness struct {
	mu     sync.Mutex
	ending func() // nil where nothing is wanted, or was done already
}

type gentlenessKey struct{}

// granted does what is wanted, once, and tells whether something was. Only the operator's own key is answered gently: whoever
// ends the program from outside, or takes the terminal away, does not wait for cards.
func (g *gentleness) granted(signal os.Signal) bool {
	g.mu.Lock()
	ending := g.ending
	g.ending = nil
	g.mu.Unlock()
	if ending == nil || signal != os.Interrupt {
		return false
	}
	ending()
	return true
}

// onFirstInterrupt has the first interrupt call a function, which must return soon, instead of ending the context; the second
// then ends that. It returns what takes the wish back.
func onFirstInterrupt(ctx context.Context, ending func()) (restore func()) {
	wish, ok := ctx.Value(gentlenessKey{}).(*gentleness)
	if !ok {
		return func() {} // signals are not caught here
	}
	set := func(f func()) {
		wish.mu.Lock()
		defer wish.mu.Unlock()
		wish.ending = f
	}
	set(ending)
	return func() { set(nil) }
}

// An interruption is why a context ended when the operator sent a signal. It reads better in a report than the context's
// own words.
type interruption struct{}

func (interruption) Error() string { return "interrupted by the operator" }

// Is makes it a context's cancellation to whoever asks.
func (interruption) Is(target error) bool { return target == context.Canceled }
