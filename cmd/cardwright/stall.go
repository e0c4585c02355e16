package main

import (
	"time"

	"github.com/spf13/cobra"

	"cardwright/internal/job"
)

// A stallFlag says how long a card may leave a call unanswered.
type stallFlag struct{ limit time.Duration }

func (f *stallFlag) register(cmd *cobra.Command) {
	cmd.Flags().DurationVar(&f.limit, "stall-limit", job.DefaultStallLimit,
		"the longest `time` that a card may leave one read, write or flush unanswered, such as 90s; then it is given up "+
			"(one that keeps other cards from going on after 20s already)")
}

// leastStallLimit is what a sound card may need for one block: many pause for a second and more to tidy up (common practice).
const leastStallLimit = 2 * time.Second

func (f *stallFlag) check() error {
	if f.limit < leastStallLimit {
		return usagef("--stall-limit must be %v at the least: sound cards pause too", leastStallLimit)
	}
	return nil
}

// warnOfStuckCalls says which cards still have a call that never returned, since the kernel keeps the program until it does.
// It gives back the error that ends the command.
func (p *program) warnOfStuckCalls(err error, targets []*target) error {
	for _, t := range targets {
		if call, under := t.meter.Call(); under {
			p.complainOfStuckCall(t.path, call)
		}
	}
	return err
}

func (p *program) complainOfStuckCall(path string, call any) {
	p.complain("%s: %v has not returned; the kernel may keep this program from ending until it does. "+
		"Pulling the card, or the reader's plug, ends the waiting.", path, call)
}
