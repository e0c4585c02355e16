package main

import (
	"context"
	"time"

	"github.com/spf13/cobra"

	"cardwright/internal/device"
)

func (p *program) cardsCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "cards",
		Short: "List the readers and disks, and say of each whether it may be written",
		Long: "cards lists every disk of this machine with its size, its model and what is on it, and says whether flash would\n" +
			"write to it and, if not, why. It writes nothing. Without root it cannot tell what is on most disks.\n\n" + exitHelp(),
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error { return p.cards(cmd.Context()) },
	}
}

func (p *program) cards(ctx context.Context) error {
	startedAt := time.Now()
	listings, err := device.List(ctx, device.Roots{})
	if err != nil {
		return err
	}
	return p.printListings(startedAt, listings)
}
