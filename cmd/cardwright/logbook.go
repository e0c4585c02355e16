package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"cardwright/internal/logbook"
	"cardwright/internal/report"
)

func (p *program) logbookCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "logbook",
		Short: "Look at the record of cards and runs",
		Long: "The logbook keeps every run: which card, which image, how fast, and what became\n" +
			"of it. Which file is read is said on standard error. Without root, root's\n" +
			"logbook is read where the user has none.",
		Args: unknownCommand,
		RunE: func(cmd *cobra.Command, _ []string) error { return needsCommand(cmd) },
	}
	cmd.AddCommand(p.logbookListCommand(), p.logbookShowCommand(), p.logbookCardsCommand(), p.logbookCardCommand(),
		p.logbookMakerCommand())
	return cmd
}

func (p *program) logbookListCommand() *cobra.Command {
	var filter logbook.Filter
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List the latest runs",
		Long: "list prints the latest runs, the latest first. A logbook that does not exist yet\n" +
			"is an empty one.\n\n" + exitHelp(),
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error { return p.listRuns(cmd.Context(), filter) },
	}
	cmd.Flags().StringVar(&filter.Label, "label", "", "only runs of the card with this `label`")
	cmd.Flags().IntVar(&filter.Limit, "limit", 50, "at most this `number` of runs")
	return cmd
}

func (p *program) listRuns(ctx context.Context, filter logbook.Filter) error {
	startedAt := time.Now()
	if filter.Limit < 1 {
		return usagef("logbook list: --limit %d is no number of runs; give 1 or more", filter.Limit)
	}
	book, err := p.openForReading(ctx)
	if errors.Is(err, fs.ErrNotExist) {
		return p.printRecords(startedAt, []logbook.Record{})
	}
	if err != nil {
		return err
	}
	defer p.closeBook(book)
	records, err := book.List(ctx, filter)
	if err != nil {
		return err
	}
	return p.printRecords(startedAt, records)
}

func (p *program) logbookShowCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "show RUN",
		Short: "Show one run in full",
		Long: "show prints one run as it was reported when it ended. RUN is its number. A run\n" +
			"that is not there is a failure.\n\n" + exitHelp(),
		Args: exactly("RUN"),
		RunE: func(cmd *cobra.Command, args []string) error { return p.showRun(cmd.Context(), args[0]) },
	}
}

func (p *program) showRun(ctx context.Context, number string) error {
	startedAt := time.Now()
	runID, err := strconv.ParseInt(number, 10, 64)
	if err != nil || runID < 1 {
		return usagef("logbook show: %q is no number of a run", number)
	}
	book, err := p.openForReading(ctx)
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("run %d: %w", runID, logbook.ErrNotFound)
	}
	if err != nil {
		return err
	}
	defer p.closeBook(book)
	record, err := book.Show(ctx, runID)
	if err != nil {
		return err
	}
	trace, err := book.Trace(ctx, runID)
	if err != nil {
		return err
	}
	return p.printed(
		func() error { return report.RecordJSON(p.stdout, stampOf(startedAt, done), record, trace) },
		func() error { return report.Record(p.stdout, record, trace) },
	)
}
