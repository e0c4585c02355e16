package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"cardwright/internal/device"
	"cardwright/internal/report"
)

func (p *program) cardsCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "cards",
		Short: "List the disks, and tell which may be written to and why not",
		Long: "cards lists every disk of this machine with its size, its model and what is on\n" +
			"it, and says whether flash would write to it and, if not, why. It writes\n" +
			"nothing. Without root it cannot tell what is on most disks.\n\n" + exitHelp(),
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error { return p.cards(cmd.Context()) },
	}
}

// lookPatience is how long a disk is waited for that does not answer, beside all others.
const lookPatience = 10 * time.Second

func (p *program) cards(ctx context.Context) error {
	startedAt := time.Now()
	listings, err := unlessInterrupted(ctx, func() ([]device.Listing, error) { return device.List(ctx, device.Roots{}, lookPatience) })
	if err != nil {
		return err
	}
	err = p.printed(
		func() error { return p.cardsJSON(startedAt, listings) },
		func() error { return cardsText(p.stdout, listings) },
	)
	for _, l := range listings {
		if l.Silent {
			p.complainOfStuckCall(l.Node, "a look at it")
		}
	}
	return err
}

func (p *program) cardsJSON(startedAt time.Time, listings []device.Listing) error {
	return report.WriteJSON(p.stdout, struct {
		report.Stamp
		Cards []device.Listing `json:"cards"`
	}{stampOf(startedAt, done), listings})
}

// cardsText prints the disks that may be written first: they are what the operator looks for.
func cardsText(out io.Writer, listings []device.Listing) error {
	var text strings.Builder
	for _, allowed := range []bool{true, false} {
		for _, l := range listings {
			if l.Allowed == allowed {
				listCard(&text, l)
			}
		}
	}
	if len(listings) == 0 {
		text.WriteString("No disk was found.\n")
	}
	_, err := io.WriteString(out, text.String())
	return err
}

func listCard(text *strings.Builder, l device.Listing) {
	facts := traits(l.Description)
	if l.Removable {
		facts = append(facts, "removable")
	}
	if l.SizeBytes == 0 {
		facts[0] = "empty"
	}
	fmt.Fprintf(text, "%s  %s\n", l.Node, report.Printable(strings.Join(facts, ", ")))
	if l.Bus.BytesPerSecond > 0 {
		listRow(text, "bus", fmt.Sprintf("%s, %s at the most", l.Bus.Mode, report.Rate(l.Bus.BytesPerSecond)))
	}
	listRow(text, "on it now", onIt(l))
	listRow(text, "mounted at", strings.Join(l.MountedAt, ", "))
	listRow(text, "may be written", mayBeWritten(l))
	if !l.Allowed {
		for _, reason := range l.Reasons {
			fmt.Fprintf(text, "      - %s\n", report.Printable(reason))
		}
	}
}

// onIt says what a disk holds, or why that cannot be said.
func onIt(l device.Listing) string {
	if l.Unreadable == "" {
		return l.Contents
	}
	return l.Contents + ": " + l.Unreadable
}

// mayBeWritten says whether flash would write to a disk; why not stands below it.
func mayBeWritten(l device.Listing) string {
	switch {
	case l.Allowed:
		return "yes"
	case l.AllowedWithFixedOK:
		return "with --fixed-ok only, because"
	}
	return "no, because"
}
