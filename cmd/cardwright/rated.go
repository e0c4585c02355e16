package main

import (
	"github.com/spf13/cobra"

	"cardwright/internal/identity"
)

// A ratedFlag says what is printed on cards, whose registers a reader may hide.
type ratedFlag struct {
	ratedText string
	rated     identity.Claims // nothing where nobody says
}

// register adds the flag; which says what cards it speaks of.
func (f *ratedFlag) register(cmd *cobra.Command, which string) {
	cmd.Flags().StringVar(&f.ratedText, "rated", "", "the speed `marks` printed on "+which+", such as \"C10 U1\": the pace is held "+
		"against what they promise where the reader hides the card's registers, or these promise less")
}

// parse reads the marks. Its errors are wrong usage.
func (f *ratedFlag) parse() (err error) {
	if f.ratedText == "" {
		return nil
	}
	if f.rated, err = identity.ParseRated(f.ratedText); err != nil {
		return usagef("--rated: %w", err)
	}
	return nil
}
