// Command cardwright writes operating-system images to memory cards, proves them, measures them and remembers them.
//
// main only calls run. Each subcommand has a file of its own: flags, then options, then one call into the packages below,
// then the result printed. What a result means as an exit code stands in exit.go alone.
//
// Read next: run (root.go), the flash command (flash.go), the exit codes (exit.go).
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"

	"github.com/cheggaaa/pb/v3/termutil"
)

func main() {
	ctx, stop := interruptible(context.Background())
	code := run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// interruptible gives a context that ends with the first signal. A second one ends the program at once.
func interruptible(parent context.Context) (context.Context, context.CancelFunc) {
	// Without this, a closed pipe behind standard error would kill the program in the middle of a card.
	signal.Ignore(syscall.SIGPIPE)
	ctx, cancel := context.WithCancelCause(parent)
	caught := make(chan os.Signal, 2)
	signal.Notify(caught, syscall.SIGINT, syscall.SIGTERM)
	if !signal.Ignored(syscall.SIGHUP) { // as under nohup
		signal.Notify(caught, syscall.SIGHUP)
	}
	go func() { // ends with the process
		<-caught
		cancel(interruption{})
		<-caught
		_ = termutil.RawModeOff() // the progress bars turned the terminal's echo off
		os.Exit(int(interrupted))
	}()
	return ctx, func() { cancel(nil) }
}

// An interruption is why a context ended when the operator sent a signal. It reads better in a report than the context's
// own words.
type interruption struct{}

func (interruption) Error() string { return "interrupted by the operator" }

// Is makes it a context's cancellation to whoever asks.
func (interruption) Is(target error) bool { return target == context.Canceled }
