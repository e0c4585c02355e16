package main

import (
	"context"
	"time"

	"github.com/spf13/cobra"

	"cardwright/internal/device"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
)

// A checking is one check command.
type checking struct {
	*program
	imageFlags
	stallFlag
	freeFlag
	storeFlags
	imageName string
	label     string
}

func (p *program) checkCommand() *cobra.Command {
	c := &checking{program: p}
	cmd := &cobra.Command{
		Use:   "check DEV --image IMAGE",
		Short: "Prove a card against an image once more, without writing",
		Long: "check reads a card as far as the image goes, compares it with the image, and\n" +
			"tells which partitions and file systems differ. It writes nothing. A card that\n" +
			"was booted or used since it was flashed differs: that is no fault of the card.\n" +
			"Neither is it that one flashed with --skip-free differs where the image is free,\n" +
			"unless check is given --skip-free too.\n\n" +
			exitHelp(refused, badSource, cardFailed, damaged),
		Example: "  cardwright check /dev/sdb --image board.img.xz",
		Args:    exactly("DEV"),
		RunE:    func(cmd *cobra.Command, args []string) error { return c.run(cmd.Context(), args[0]) },
	}
	cmd.Flags().StringVar(&c.imageName, "image", "", "the `image` to hold the card against: a file, a URL, or - for standard input")
	cmd.Flags().StringVar(&c.label, "label", "", "the `label` written on the card, for the logbook")
	c.stallFlag.register(cmd)
	c.freeFlag.register(cmd, "do not compare what the image's own file systems mark as free, for a card that was flashed with "+
		"--skip-free (for images that are prepared, or lie unpacked in a file)")
	c.imageFlags.register(cmd)
	c.storeFlags.register(cmd)
	return cmd
}

func (c *checking) run(ctx context.Context, path string) (err error) {
	startedAt := time.Now()
	if c.imageName == "" {
		return usagef("check: --image is missing: name the image to hold the card against")
	}
	if err := c.stallFlag.check(); err != nil {
		return err
	}
	options, err := c.imageFlags.options(c.program, 1)
	if err != nil {
		return err
	}
	targets, err := openTargets(ctx, []wish{{path, c.label}}, device.Options{ReadOnly: true}, c.imageKept(c.imageName))
	defer func() { err = c.closed(err, targets) }()
	unread := unstarted{startedAt: startedAt, operation: logbook.OperationCheck, targets: targets, imageName: c.imageName}
	if err != nil {
		return c.stop(unread, err, logbook.ClassInterrupted)
	}
	if anyRefused(targets) {
		c.complain("the card cannot be read:")
		return c.stop(unread, refusalOf(c.stderr, targets), logbook.ClassRefused)
	}
	image, err := c.openSupply(ctx, c.imageName, options, c.storeFlags, false)
	if err != nil {
		return c.stop(unread, err, classOfSource(ctx))
	}
	defer image.Close() // it was read to its end, or is not needed any more
	if err := c.findFree(c.program, c.imageName, image.Facts(), image.prepared); err != nil {
		return err
	}
	return c.prove(ctx, targets[0], image, startedAt)
}

// prove carries the job out and prints what became of it.
func (c *checking) prove(ctx context.Context, t *target, image *supply, startedAt time.Time) error {
	book, unrecorded := c.openForRecording(ctx)
	defer c.closeBook(book)
	var result *job.Result
	c.progressOf(tracksOf([]*target{t}, image, c.freeBytes)...).During(func() {
		result = job.Check(ctx, image, t.forJob(), job.Options{
			Book: book, Unrecorded: unrecorded, StallLimit: c.limit, Again: image.again, Free: c.free,
		})
	})
	return c.warnOfStuckCalls(c.printRuns(startedAt, result), []*target{t})
}

// classOfSource sorts a source that did not open.
func classOfSource(ctx context.Context) logbook.Class {
	if ctx.Err() != nil {
		return logbook.ClassInterrupted
	}
	return logbook.ClassSource
}
