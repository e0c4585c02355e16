package main

import (
	"context"
	"errors"
	"io/fs"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"cardwright/internal/identity"
	"cardwright/internal/logbook"
	"cardwright/internal/report"
)

func (p *program) logbookCardsCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "cards",
		Short: "List the cards, with their last verdicts and rates",
		Long: "cards lists the cards that have a label or a known CID, with maker and name\n" +
			"where they are known, the size, what became of the last run, how fast that was,\n" +
			"and what the last check of the size said: true, short (it holds less than it\n" +
			"states) or unreliable (it does not keep what is written). A logbook that does\n" +
			"not exist yet is an empty one.\n\n" + exitHelp(),
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error { return p.listCards(cmd.Context()) },
	}
}

func (p *program) listCards(ctx context.Context) error {
	startedAt := time.Now()
	cards, err := fromBook(p, ctx, func(book *logbook.Book) ([]logbook.CardRecord, error) {
		return book.ListCards(ctx, logbook.CardFilter{})
	})
	if err != nil {
		return err
	}
	return p.printed(
		func() error { return report.CardsJSON(p.stdout, stampOf(startedAt, done), cards) },
		func() error { return report.Cards(p.stdout, cards) },
	)
}

// fromBook reads a list from the logbook; one that does not exist yet has none.
func fromBook[T any](p *program, ctx context.Context, read func(*logbook.Book) ([]T, error)) ([]T, error) {
	book, err := p.openForReading(ctx)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer p.closeBook(book)
	return read(book)
}

func (p *program) logbookMakerCommand() *cobra.Command {
	emmc := false
	cmd := &cobra.Command{
		Use:   "maker [NUMBER NAME]",
		Short: "Name a maker, or list those that are named",
		Long: "maker gives the number that stands for a maker in a card's CID a name of your\n" +
			"own, which the lists show from then on. The numbers are assigned without a\n" +
			"public register, so none come with this program. SD cards and eMMC modules have\n" +
			"numbers of their own. Without NUMBER and NAME it lists what is named; an empty\n" +
			"NAME takes a name back.\n\n" + exitHelp(),
		Example: "  cardwright logbook maker 0x1b \"Example Cards\"\n  cardwright logbook maker",
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 && !emmc {
				return nil
			}
			return exactly("NUMBER", "NAME")(cmd, args)
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return p.listMakers(cmd.Context(), time.Now())
			}
			return p.nameMaker(cmd.Context(), args[0], args[1], emmc)
		},
	}
	cmd.Flags().BoolVar(&emmc, "emmc", false, "the number is that of an eMMC module")
	return cmd
}

// nameMaker names a maker, and lists all that are named then.
func (p *program) nameMaker(ctx context.Context, number, name string, emmc bool) error {
	startedAt := time.Now()
	id, err := strconv.ParseUint(number, 0, 8)
	if err != nil {
		return usagef("logbook maker: %q is no number of a maker; give 0x00 to 0xff", number)
	}
	kind := identity.KindSD
	if emmc {
		kind = identity.KindEMMC
	}
	book, err := p.openBook(ctx)
	if err != nil {
		return err
	}
	err = book.NameMaker(ctx, string(kind), int(id), name)
	p.closeBook(book)
	if err != nil {
		return err
	}
	return p.listMakers(ctx, startedAt)
}

func (p *program) listMakers(ctx context.Context, startedAt time.Time) error {
	makers, err := fromBook(p, ctx, func(book *logbook.Book) ([]logbook.Maker, error) { return book.Makers(ctx) })
	if err != nil {
		return err
	}
	return p.printed(
		func() error { return report.MakersJSON(p.stdout, stampOf(startedAt, done), makers) },
		func() error { return report.Makers(p.stdout, makers) },
	)
}
