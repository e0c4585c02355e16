package main

import (
	"cmp"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"cardwright/internal/identity"
	"cardwright/internal/logbook"
	"cardwright/internal/report"
)

// A cardNote is one logbook card command: which card, and what is to be noted of it.
type cardNote struct {
	*program
	label string
	cid   string
	facts map[string]string // of those that were given; empty: the fact is taken back
}

// factFlags are all that can be noted, in the order of the help, under the names that the logbook has for them.
func factFlags() []struct{ name, usage string } {
	return []struct{ name, usage string }{
		{logbook.FactPrice, "what it cost, a `number` such as 7.90"},
		{logbook.FactCurrency, "what the price is in, three letters such as `EUR`"},
		{logbook.FactSeries, "what the maker calls the `series` that it is of"},
		{logbook.FactSeller, "`who` sold it"},
		{logbook.FactBought, "the `day` it was bought, such as 2026-01-31"},
		{logbook.FactRated, "the speed `marks` printed on it, such as \"U3 A1\""},
		{logbook.FactNote, "any `text`"},
	}
}

func (p *program) logbookCardCommand() *cobra.Command {
	n := &cardNote{program: p}
	cmd := &cobra.Command{
		Use:   "card LABEL | --cid CID",
		Short: "Show a card, or note what it cost and where it is from",
		Long: "card shows what the logbook knows of a card: what it is, what was noted of it,\n" +
			"its runs and the checks of its size. With any of the flags that note something\n" +
			"it notes that first; an empty value takes a note back, and what stood there\n" +
			"before is kept as history. A label that was never met makes a card when\n" +
			"something is noted of it: one that was bought and not flashed yet.\n\n" + exitHelp(),
		Example: "  cardwright logbook card attic-07 --price 7.90 --currency EUR\n" +
			"  cardwright logbook card attic-07",
		Args: func(cmd *cobra.Command, args []string) error {
			if n.cid != "" {
				return exactly()(cmd, args)
			}
			return exactly("LABEL")(cmd, args)
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				n.label = args[0]
			}
			return n.run(cmd)
		},
	}
	for _, f := range factFlags() {
		cmd.Flags().String(f.name, "", f.usage)
	}
	cmd.Flags().StringVar(&n.cid, "cid", "", "the card by its CID, 32 hexadecimal `digits`, where two share a label")
	return cmd
}

func (n *cardNote) run(cmd *cobra.Command) error {
	startedAt, ctx := time.Now(), cmd.Context()
	if err := n.read(cmd, startedAt); err != nil {
		return err
	}
	page, err := n.page(ctx, startedAt)
	if err != nil {
		return err
	}
	return n.printed(
		func() error { return report.CardPageJSON(n.stdout, stampOf(startedAt, done), page) },
		func() error { return report.WriteCardPage(n.stdout, page) },
	)
}

// read takes the facts from the flags that were given. All its errors are wrong usage.
func (n *cardNote) read(cmd *cobra.Command, at time.Time) error {
	if n.label == "" && n.cid == "" {
		return usagef("logbook card: LABEL is empty")
	}
	if digits, err := hex.DecodeString(n.cid); n.cid != "" && (err != nil || len(digits) != 16) {
		return usagef("logbook card: --cid %q: a CID is 32 hexadecimal digits", n.cid)
	}
	n.facts = map[string]string{}
	for _, f := range factFlags() {
		if cmd.Flags().Changed(f.name) {
			n.facts[f.name] = cmd.Flags().Lookup(f.name).Value.String()
		}
	}
	if _, err := identity.ParseRated(n.facts[logbook.FactRated]); err != nil {
		return usagef("logbook card: --rated: %w", err)
	}
	if err := logbook.CheckFacts(n.facts, at); err != nil {
		return usagef("logbook card: %w", err)
	}
	return nil
}

// page notes what is to be noted, and gives all that is known then.
func (n *cardNote) page(ctx context.Context, at time.Time) (*report.CardPage, error) {
	book, err := n.open(ctx)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("card %s: %w", cmp.Or(n.cid, n.label), logbook.ErrNoCard)
	}
	if err != nil {
		return nil, err
	}
	defer n.closeBook(book)
	if len(n.facts) > 0 {
		if err := n.note(ctx, book, at); err != nil {
			return nil, err
		}
	}
	card, err := n.find(ctx, book)
	if err != nil {
		return nil, err
	}
	page := &report.CardPage{Card: *card}
	if page.History, err = book.FactHistory(ctx, card.CardID); err != nil {
		return nil, err
	}
	if page.Checks, err = book.CapacityChecks(ctx, card.CardID); err != nil {
		return nil, err
	}
	page.Runs, err = book.List(ctx, logbook.Filter{CardID: card.CardID})
	return page, err
}

// open opens the logbook, for writing only where something is to be noted.
func (n *cardNote) open(ctx context.Context) (*logbook.Book, error) {
	if len(n.facts) > 0 {
		return n.openBook(ctx)
	}
	return n.openForReading(ctx)
}

// note notes the facts, of a card that is made where only its label is known and nothing was taken back.
func (n *cardNote) note(ctx context.Context, book *logbook.Book, at time.Time) error {
	card, err := n.find(ctx, book)
	something := slices.ContainsFunc(slices.Collect(maps.Values(n.facts)), func(value string) bool { return value != "" })
	if errors.Is(err, logbook.ErrNoCard) && n.cid == "" && something {
		card, err = book.MeetCard(ctx, n.label, 0, nil)
	}
	if err != nil {
		return err
	}
	return book.SetFacts(ctx, card.CardID, n.facts, at)
}

// find gives the card as it is named.
func (n *cardNote) find(ctx context.Context, book *logbook.Book) (*logbook.CardRecord, error) {
	if n.cid != "" {
		return book.CardByCID(ctx, n.cid)
	}
	return book.CardByLabel(ctx, n.label)
}
