// Command cardlab holds an emulated memory card open as a block device, for developers of programs that write cards. It
// prints the device on stdout and stays until it is interrupted; then it takes the device away and tells the truth about
// the card on stderr.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"cardwright/internal/cardlab"
	"cardwright/internal/cardlab/blockdev"
)

// The exit codes.
const (
	done   = 0
	failed = 1
	usage  = 2
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	powers := make(chan os.Signal, 1)
	signal.Notify(powers, syscall.SIGUSR1, syscall.SIGUSR2)
	code := run(ctx, os.Args[1:], powers, os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// run holds the card that args describe until ctx ends. Each signal on powers pulls the card or plugs it in again.
func run(ctx context.Context, args []string, powers <-chan os.Signal, stdout, stderr io.Writer) int {
	options, err := parse(args, stderr)
	if errors.Is(err, flag.ErrHelp) {
		return done
	}
	if err != nil {
		return usage // parse has told why
	}
	card, err := cardlab.New(options.traits)
	if err == nil && options.digestBytes > card.Truth().SizeBytes() {
		err = fmt.Errorf("a digest of more than the %d bytes that the card holds", card.Truth().SizeBytes())
	}
	if err != nil {
		fmt.Fprintf(stderr, "cardlab: %v\n", err)
		return usage
	}
	if os.Geteuid() != 0 {
		fmt.Fprintln(stderr, "cardlab: needs root, to mount a FUSE folder and to attach a loop device")
		return failed
	}
	if err := hold(ctx, card, powers, stdout, options); err != nil {
		fmt.Fprintf(stderr, "cardlab: %v\n", err)
		return failed
	}
	tell(stderr, card, options.digestBytes)
	return done
}

// hold attaches the card until ctx ends. Where its registers are asked for, they are there when its device is printed.
func hold(ctx context.Context, card *cardlab.Card, powers <-chan os.Signal, stdout io.Writer, options options) error {
	node, err := blockdev.Attach(ctx, card)
	if err != nil {
		return err
	}
	if options.registerFolder != "" {
		err = options.registers.WriteFolder(options.registerFolder)
	}
	if err == nil {
		_, err = fmt.Fprintln(stdout, node.Path())
	}
	for err == nil {
		select {
		case <-ctx.Done():
			return node.Close()
		case power := <-powers:
			if power == syscall.SIGUSR1 {
				card.Pull(options.traits.Seed)
			} else {
				card.Plug()
			}
		}
	}
	return errors.Join(err, node.Close())
}

// tell prints what became of the card.
func tell(w io.Writer, card *cardlab.Card, digestBytes int64) {
	counts, truth := card.Counts(), card.Truth()
	fmt.Fprintf(w, "operations %d, flushes %d, bytes written %d, read %d, unsynced %d\n",
		counts.Operations, counts.Flushes, counts.WrittenBytes, counts.ReadBytes, truth.UnsyncedBytes())
	for _, span := range truth.Written() {
		fmt.Fprintf(w, "written %d bytes at %d\n", span.LengthBytes, span.OffsetBytes)
	}
	if digestBytes > 0 {
		fmt.Fprintf(w, "sha256 %s of the first %d bytes\n", truth.Digest(0, digestBytes), digestBytes)
	}
}
