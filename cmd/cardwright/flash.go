package main

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/device"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
	"cardwright/internal/terminal"
)

// A flashing is one flash command: its flags, and what becomes of them on the way to the job.
type flashing struct {
	*program
	imageFlags
	storeFlags
	stallFlag
	freeFlag
	keep   bool
	to     []string
	labels []string
	floor  string
	ratedFlag
	fixedOK bool
	yes     bool

	imageName  string
	wishes     []wish
	options    source.Options
	floorRate  float64 // bytes per second
	startedAt  time.Time
	book       *logbook.Book
	unrecorded error // why there is no logbook
	targets    []*target
}

func (p *program) flashCommand() *cobra.Command {
	f := &flashing{program: p}
	cmd := &cobra.Command{
		Use:   "flash IMAGE --to DEV [--to DEV ...]",
		Short: "Write an image to cards and prove that it landed intact",
		Long: "flash writes an image to one or more cards, reads every byte back from them\n" +
			"and compares. Everything on the cards is lost. The boot sector and the\n" +
			"partition table are written last, once all else is proven. IMAGE is a file, an\n" +
			"http or https URL, or - for standard input; it may be packed (xz, gzip, zstd,\n" +
			"bzip2, zip).\n\n" +
			"Before it writes, flash shows what is on each card and has you type the card's\n" +
			"device name. Ctrl-C stops within a block and leaves the card without a boot\n" +
			"sector; a second one ends the program at once, whatever it is at.\n\n" +
			"Several --to share one reading of the image; batch works through a stack of\n" +
			"cards. A --label lets the logbook know a card again; cards without one are no\n" +
			"peers to judge others by.\n\n" +
			exitHelp(refused, badSource, cardFailed, damaged, belowFloor),
		Example: "  cardwright flash board.img.xz --to /dev/sdb --label attic-07\n" +
			"  cardwright flash board.img.xz --floor 10MB \\\n" +
			"    --to /dev/sdb --label attic-07 --to /dev/sdc --label attic-08",
		Args: exactly("IMAGE"),
		RunE: func(cmd *cobra.Command, args []string) error { return f.run(cmd.Context(), args[0]) },
	}
	cmd.Flags().StringArrayVar(&f.to, "to", nil, "the `device` to write to, a whole disk or an existing regular file (may be repeated)")
	cmd.Flags().StringArrayVar(&f.labels, "label", nil, "the `label` written on the card; once per --to, in their order")
	cmd.Flags().StringVar(&f.floor, "floor", "", "the least write `rate` that will do, such as 10MB (per second); "+
		"a card below it ends the command with 7, one whose pace could not be judged with 0")
	cmd.Flags().BoolVar(&f.fixedOK, "fixed-ok", false, "allow a disk that is neither removable nor reached over USB or MMC: look twice")
	cmd.Flags().BoolVar(&f.keep, "keep", false, "prepare the image while it is written, so that it is not decoded for the next cards")
	cmd.Flags().BoolVar(&f.yes, "yes", false, "do not ask: erase the cards named by --to, whatever they hold")
	f.ratedFlag.register(cmd, "the card, or on all of them")
	f.stallFlag.register(cmd)
	f.freeFlag.register(cmd, "leave out what the image's own file systems mark as free: what a card holds there stays, or is discarded "+
		"(for images that are prepared, or lie unpacked in a file)")
	f.imageFlags.register(cmd)
	f.storeFlags.register(cmd)
	return cmd
}

// run is the command: usage, targets, source, question, logbook, job, report.
func (f *flashing) run(ctx context.Context, imageName string) (err error) {
	f.imageName, f.startedAt = imageName, time.Now()
	if err := f.validate(); err != nil {
		return err
	}
	f.targets, err = openTargets(ctx, f.wishes, device.Options{Policy: device.Policy{FixedOK: f.fixedOK}}, f.mustLast(f.imageName, f.storeFlags, f.keep))
	defer func() { err = f.closed(err, f.targets) }()
	if err != nil {
		return f.notStarted(err, logbook.ClassInterrupted)
	}
	if anyRefused(f.targets) {
		f.complain("nothing was written, since a target is refused:")
		return f.notStarted(writeRefusalOf(f.stderr, f.targets), logbook.ClassRefused)
	}
	tty, err := f.openTerminal()
	if err != nil {
		return f.notStarted(err, logbook.ClassRefused)
	}
	if tty != nil {
		defer tty.Close()
	}
	image, err := f.openSupply(ctx, imageName, f.options, f.storeFlags, f.keep)
	if err != nil {
		return f.notStarted(err, classOfSource(ctx))
	}
	defer image.Close() // it was read to its end, or is not needed any more
	if err := f.findFree(f.program, imageName, image.Facts(), image.prepared); err != nil {
		return err
	}
	f.book, f.unrecorded = f.openForRecording(ctx) // before the question: whether it is recorded is part of the answer
	defer f.closeBook(f.book)
	if err := f.agreed(ctx, tty, image); err != nil {
		return err
	}
	return f.write(ctx, image)
}

// validate turns the flags into what the job needs. All its errors are wrong usage.
func (f *flashing) validate() (err error) {
	switch {
	case len(f.to) == 0:
		return usagef("flash: --to is missing: name the device to write to")
	case len(f.labels) > 0 && len(f.labels) != len(f.to):
		return usagef("flash: --label was given %d times and --to %d times; give one label for each --to, in their order",
			len(f.labels), len(f.to))
	}
	f.wishes = nil
	for i, path := range f.to {
		w := wish{path: path}
		if len(f.labels) > 0 {
			w.label = f.labels[i]
		}
		if w.label != "" && slices.ContainsFunc(f.wishes, func(o wish) bool { return o.label == w.label }) {
			return usagef("flash: the label %s was given twice; a label stands for one card", w.label)
		}
		f.wishes = append(f.wishes, w)
	}
	if f.floor != "" {
		if f.floorRate, err = parseRate(f.floor); err != nil {
			return fmt.Errorf("flash: --floor: %w", err)
		}
	}
	if err := f.ratedFlag.parse(); err != nil {
		return err
	}
	if err := f.stallFlag.check(); err != nil {
		return err
	}
	f.options, err = f.imageFlags.options(f.program, len(f.wishes))
	return err
}

// openTerminal opens the terminal to ask on, before the source is read for nothing; nil where --yes answers.
func (f *flashing) openTerminal() (terminal.Terminal, error) {
	if f.yes {
		return nil, nil
	}
	return f.terminal()
}

// agreed makes sure that the image fits where its size is known, says what will be erased, and asks.
func (f *flashing) agreed(ctx context.Context, tty terminal.Terminal, image openImage) error {
	needed, _ := image.DeclaredBytes()
	for _, t := range f.targets {
		if t.card.SizeBytes() < needed {
			t.refuse(fmt.Sprintf("%v: it needs %d bytes, the card has %d", flash.ErrTooSmall, needed, t.card.SizeBytes()))
		}
	}
	if anyRefused(f.targets) {
		f.complain("nothing was written, since the image does not fit:")
		_ = refusalOf(f.stderr, f.targets)
		return f.notStarted(errDoesNotFit, logbook.ClassRefused)
	}
	if tty == nil {
		caution(f.stderr, f.targets, image.Facts().Name, f.rated)
		return nil
	}
	caution(tty, f.targets, image.Facts().Name, f.rated)
	if err := ask(ctx, tty, f.targets, "erase"); err != nil {
		if ctx.Err() != nil {
			return f.notStarted(err, logbook.ClassInterrupted)
		}
		return f.notStarted(err, logbook.ClassRefused)
	}
	return nil
}

// write carries the job out and prints what became of it.
func (f *flashing) write(ctx context.Context, image *supply) error {
	targets := make([]job.Target, len(f.targets))
	for i, t := range f.targets {
		targets[i] = t.forJob()
		targets[i].Rated = f.rated
	}
	var result *job.Result
	f.progressOf(tracksOf(f.targets, image, f.freeBytes)...).During(func() {
		result = job.Flash(ctx, image, targets, job.Options{
			Book: f.book, Unrecorded: f.unrecorded, FloorBytesPerSecond: f.floorRate, StallLimit: f.limit,
			Again: image.again, Free: f.free,
		})
	})
	err := f.warnOfStuckCalls(f.printRuns(f.startedAt, result), f.targets)
	f.settleSupply(ctx, image, result.Cards)
	<-result.Rest // the report is out; a card that answers after all is blanked now, and a second interrupt ends the wait
	return err
}

// notStarted ends the command before its job began.
func (f *flashing) notStarted(cause error, class logbook.Class) error {
	return f.stop(unstarted{f.startedAt, logbook.OperationFlash, f.targets, f.imageName}, cause, class)
}
