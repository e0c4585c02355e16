package main

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"cardwright/flash/source"
	"cardwright/internal/batch"
	"cardwright/internal/device"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
	"cardwright/internal/project"
	"cardwright/internal/store"
	"cardwright/internal/tally"
	"cardwright/partition"
)

// A batching is one batch command: its flags, and what becomes of them on the way to the batch.
type batching struct {
	*program
	imageFlags
	storeFlags
	stallFlag
	projectFlags
	freeFlag
	ratedFlag
	bayTexts          []string
	wanted            int
	floor             string
	name              string
	anew              bool
	overwriteAnything bool
	fixedOK           bool
	yes               bool
	face              tally.Options

	imageName string
	options   source.Options
	floorRate float64 // bytes per second
	own       cardsOwn
}

func (p *program) batchCommand() *cobra.Command {
	b := &batching{program: p}
	cmd := &cobra.Command{
		Use:   "batch IMAGE --bay NAME=DEV [--bay NAME=DEV ...]",
		Short: "Work through a stack of cards, each as soon as it is seated",
		Long: "batch writes one image to card after card: whenever one is seated in a bay, it\n" +
			"is looked at, written, proven and recorded; then you swap it. Everything on the\n" +
			"cards is lost. A bay is a reader, bound to its place: a card in another reader\n" +
			"is never touched. The image is decoded once, before the first card, and kept as\n" +
			"by prepare.\n\n" +
			"A card that holds files, cannot be read, was used since it was flashed, or is\n" +
			"done already is held: it is not overwritten until its bay's name is typed, or\n" +
			"until it is taken out and seated again within 10 s. Blank cards, and cards that\n" +
			"nobody used since they were flashed, go straight through.\n\n" +
			"With --labels, each card gets a row of a CSV file: its label, and whatever else\n" +
			"the columns hold, for the files of --files. A card that fails gets no label: its\n" +
			"row goes to another. Without --labels, a card's label is the batch's name and a\n" +
			"number, which is never given twice.\n\n" +
			"Ctrl-C lets the cards at work be finished and begins no more; a second one stops\n" +
			"them, and a third ends the program at once, whatever it is at.\n\n" +
			exitHelp(refused, badSource, cardFailed, damaged, belowFloor),
		Example: "  cardwright batch board.img.xz --bay left=/dev/sdb --count 30\n" +
			"  cardwright batch board.img.xz --bay left=/dev/sdb --bay right=/dev/sdc \\\n" +
			"    --labels attic.csv --files bootfiles",
		Args: exactly("IMAGE"),
		RunE: func(cmd *cobra.Command, args []string) error { return b.run(cmd.Context(), args[0]) },
	}
	flags := cmd.Flags()
	flags.StringArrayVar(&b.bayTexts, "bay", nil, "a bay as `NAME=DEV`: a name of your own, and its reader (may be repeated)")
	flags.IntVar(&b.wanted, "count", 0, "end when this `number` of cards is intact, those done before among them "+
		"(else one for each row of --labels, or when interrupted)")
	flags.StringVar(&b.floor, "floor", "", "the least write `rate` that will do, such as 10MB (per second)")
	flags.StringVar(&b.name, "name", "", "the batch's `name` in the logbook; a batch of the same name goes on where it stopped "+
		"(else a new batch, named like the image, or with --labels the batch of that file)")
	flags.BoolVar(&b.anew, "anew", false, "begin a new batch of that name: all rows are free again, numbers go on")
	flags.BoolVar(&b.overwriteAnything, "overwrite-anything", false,
		"hold no card: overwrite whatever is seated, also one that holds photographs")
	flags.BoolVar(&b.fixedOK, "fixed-ok", false, "allow disks that are neither removable nor reached over USB or MMC: look twice")
	flags.BoolVar(&b.yes, "yes", false, "do not ask before the batch begins")
	flags.StringVar(&b.face.OnEvent, "on-event", "", "run this shell `command` for every event, with its JSON document on standard input")
	flags.BoolVar(&b.face.Quiet, "quiet", false, "do not ring the terminal's bell")
	b.projectFlags.register(cmd)
	b.freeFlag.register(cmd, "leave out what the image's own file systems mark as free: what a card holds there stays, or is discarded")
	b.ratedFlag.register(cmd, "every card")
	b.stallFlag.register(cmd)
	b.storeFlags.register(cmd)
	b.imageFlags.register(cmd)
	return cmd
}

// run is the command: usage, bays, question, logbook, image, batch.
func (b *batching) run(ctx context.Context, imageName string) error {
	b.imageName, b.face.StartedAt = imageName, time.Now()
	if err := b.validate(); err != nil {
		return err
	}
	bays, err := bindBays(b.bayTexts, device.Options{Policy: device.Policy{FixedOK: b.fixedOK}},
		b.mustLast(imageName, b.storeFlags, true))
	if err != nil {
		return err
	}
	letGo, err := claimBays(bays)
	defer letGo()
	if err != nil {
		return err
	}
	if err := b.agreed(ctx, bays); err != nil {
		return err
	}
	book, err := b.openBook(ctx) // it gives out the numbers
	if err != nil {
		return err
	}
	defer b.closeBook(book)
	prepared, err := b.prepared(ctx)
	if err != nil {
		return err
	}
	defer prepared.Close() // it was only read
	record, err := book.OpenBatch(ctx, logbook.BatchOptions{
		Name: b.name, ImageSHA256: prepared.Facts().ImageSHA256, Anew: b.anew,
	})
	if err != nil {
		return err
	}
	defer func() {
		if err := record.Close(); err != nil {
			b.complain("the batch %s could not be left to others: %v", b.name, err)
		}
	}()
	return b.work(ctx, batch.Options{
		Name: b.name, Bays: bays, Wanted: b.wanted, Facts: prepared.Facts(), Manifest: prepared.Manifest(),
		Book: book, Record: record,
		Image: func(ctx context.Context) (batch.Image, error) { return prepared.Image(ctx) },
		Rows:  b.own.rows(), Files: b.own.files, FloorBytesPerSecond: b.floorRate, Rated: b.rated, StallLimit: b.limit,
		OverwriteAnything: b.overwriteAnything, Conditions: commonConditions(), Free: b.free,
	})
}

// validate turns the flags into what the batch needs. All its errors are wrong usage.
func (b *batching) validate() (err error) {
	switch {
	case len(b.bayTexts) == 0:
		return usagef("batch: --bay is missing: name a bay and its reader, such as --bay left=/dev/sdb")
	case b.wanted < 0:
		return usagef("batch: --count must not be negative")
	case b.imageName == standardInput:
		return usagef("batch: an image on standard input can be read only once; name a file or a URL")
	}
	if b.floor != "" {
		if b.floorRate, err = parseRate(b.floor); err != nil {
			return fmt.Errorf("batch: --floor: %w", err)
		}
	}
	if err := b.ratedFlag.parse(); err != nil {
		return err
	}
	if err := b.stallFlag.check(); err != nil {
		return err
	}
	// A batch without rows and without a name of its own has nothing to go on with.
	b.anew = b.anew || b.name == "" && b.labels == ""
	if b.name == "" {
		b.name = nameOfBatch(b.labels, b.imageName)
	}
	if err := project.CheckLabel(b.name); err != nil {
		return usagef("batch: the name %q cannot stand in labels: %w; give another with --name", b.name, err)
	}
	b.face.GoOn = b.goOn()
	if b.own, err = b.projectFlags.read(b.imageName); err != nil {
		return err
	}
	b.options, err = b.imageFlags.optionsBeside(b.program, job.BatchBufferBytes(len(b.bayTexts)))
	return err
}

// agreed says what will be erased, and asks.
func (b *batching) agreed(ctx context.Context, bays []batch.Bay) error {
	if b.yes {
		b.caution(b.stderr, bays)
		return nil
	}
	tty, err := b.terminal()
	if err != nil {
		return err
	}
	defer tty.Close()
	b.caution(tty, bays)
	return askForBays(ctx, tty, bays)
}

// prepared gives the image, decoded; from then on the program keeps to what its buffers take.
func (b *batching) prepared(ctx context.Context) (*store.Prepared, error) {
	s, err := b.openStore(ctx, b.storeFlags)
	if err != nil {
		return nil, err
	}
	prepared, _, err := b.findOrDecode(ctx, s, b.imageName, b.options)
	if err != nil {
		return nil, err
	}
	keepWithin(0, job.BatchBufferBytes(len(b.bayTexts)))
	debug.FreeOSMemory() // what decoding took
	if err := b.fits(prepared); err != nil {
		return nil, errors.Join(err, prepared.Close())
	}
	return prepared, nil
}

// fits makes sure that the image has a place for the cards' own files, and finds what of it is left out: nothing where files go,
// which take space that is free in the image.
func (b *batching) fits(prepared *store.Prepared) error {
	var written []partition.Range
	if b.own.files != nil {
		boot, err := project.BootPartition(prepared.Table())
		if err != nil {
			return err
		}
		if err := b.own.tryOn(prepared); err != nil {
			return err
		}
		written = append(written, partition.Range{OffsetBytes: boot.OffsetBytes, LengthBytes: boot.LengthBytes})
	}
	return b.findFree(b.program, b.imageName, prepared.Facts(), prepared, written...)
}

// work carries the batch out, and shows it.
func (b *batching) work(ctx context.Context, o batch.Options) error {
	changes, err := device.Changes(ctx)
	if err != nil {
		b.complain("the kernel's events cannot be heard (%v): cards are looked for every %v", err, batch.DefaultPoll)
	}
	o.Changes = changes
	face := b.newTally(b.face)
	codes := []exitCode{done}
	o.Tell = func(e batch.Event) {
		if e.Run != nil {
			codes = append(codes, codeOfRun(*e.Run))
		}
		face.Tell(e)
	}
	work, err := batch.Open(ctx, o)
	if err != nil {
		_ = b.finishTally(face, programFailed) // it was told of nothing, and prints nothing
		return err
	}
	var totals batch.Totals
	restore := onFirstInterrupt(ctx, work.Finish)
	face.During(work.Looks, work.Release, func() { totals, err = work.Run(ctx) })
	restore()
	if err != nil {
		b.complain("the batch ended early: %v", err)
	}
	err = b.finishTally(face, worst(append(codes, codeOfBatch(ctx, totals, err))...))
	work.AwaitStuck(func(bays []string) { // the totals are out; a card that answers after all is blanked now
		b.complain("a call to the card in %s has not returned, and is waited for; pulling the card, or the reader's plug, ends "+
			"the waiting, and so does Ctrl-C twice", strings.Join(bays, ", "))
	})
	return err
}

// newTally begins to tell of a batch where the program prints.
func (p *program) newTally(o tally.Options) *tally.Tally {
	o.Screen, o.Results, o.JSON = p.stderr, p.stdout, p.json
	o.Terminal, o.LineEvery, o.ProgramVersion = p.terminal, p.lineEvery, programVersion
	return tally.New(o)
}

// finishTally tells a batch's end, and gives what ends the command with the code, or with the program's failure where events are
// missing.
func (p *program) finishTally(face *tally.Tally, code exitCode) error {
	ended, err := face.Finish(tally.ExitCodes{AllTold: int(code), Missing: int(worst(code, programFailed))})
	p.documented = p.documented || face.Documented()
	if err != nil {
		return err
	}
	return ending{exitCode(ended)}
}

// codeOfBatch is what the batch's end means for the exit code beside what became of its cards.
func codeOfBatch(ctx context.Context, totals batch.Totals, err error) exitCode {
	switch {
	case ctx.Err() != nil:
		return interrupted
	case errors.Is(err, batch.ErrImageLost):
		return badSource
	case err != nil:
		return programFailed
	case totals.Wanted > totals.Before+totals.Intact:
		return interrupted
	}
	return done
}

// goOn says how a batch that was ended early goes on.
func (b *batching) goOn() string {
	if b.anew {
		return "--name " + b.name + " goes on with them"
	}
	return "the same command goes on with them"
}
