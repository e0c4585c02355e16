package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"regexp"
	"syscall"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	if err != nil {
		fmt.Fprintf(os.Stderr, "bench: %v\n", err)
		os.Exit(1)
	}
}

// A setting is what the command line asks for.
type setting struct {
	image  string
	rounds int
	only   *regexp.Regexp
	json   bool
}

// decodeWord makes the program a decoder and nothing else, so that a decoder is timed as a command too.
const decodeWord = "decode"

// run prepares the images, carries out the comparisons and prints what they came to.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	if len(args) == 2 && args[0] == decodeWord {
		return decode(ctx, args[1])
	}
	s, err := parse(args, stderr)
	if errors.Is(err, flag.ErrHelp) {
		return nil
	}
	if err != nil {
		return err
	}
	bench, err := newWorkbench(ctx, s, stderr)
	if err != nil {
		return err
	}
	defer bench.close()
	outcome := report{Machine: machine(), Image: bench.facts, Rounds: s.rounds}
	for _, c := range bench.comparisons() {
		if !s.only.MatchString(c.name) {
			continue
		}
		fmt.Fprintf(stderr, "%s ...\n", c.name)
		figures, failed := c.measure(ctx)
		outcome.Figures = append(outcome.Figures, figures...)
		if failed != nil {
			err = fmt.Errorf("%s: %w", c.name, failed)
			break
		}
	}
	return errors.Join(err, outcome.write(stdout, s.json)) // what was measured before a failure is told too
}

func parse(args []string, stderr io.Writer) (s setting, err error) {
	flags := flag.NewFlagSet("bench", flag.ContinueOnError)
	flags.SetOutput(stderr)
	flags.StringVar(&s.image, "image", "", "an xz `file` of several blocks with a board image (needed)")
	flags.IntVar(&s.rounds, "rounds", 3, "how often each side is measured")
	only := flags.String("only", "", "a regular `expression`: only the comparisons whose name matches")
	flags.BoolVar(&s.json, "json", false, "print JSON")
	if err := flags.Parse(args); err != nil {
		return s, err
	}
	if s.image == "" || flags.NArg() > 0 || s.rounds < 1 {
		return s, errors.New("usage: bench -image FILE.xz [-rounds N] [-only EXPRESSION] [-json]")
	}
	s.only, err = regexp.Compile(*only)
	return s, err
}
