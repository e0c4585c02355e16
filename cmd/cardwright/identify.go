package main

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"time"

	"github.com/spf13/cobra"

	"cardwright/internal/device"
	"cardwright/internal/identity"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
	"cardwright/internal/report"
)

// An identifying is one identify command.
type identifying struct {
	*program
	folder string
	rated  string
	label  string
	fields bool

	page  report.Identity
	twins []string // where else this machine reads the same CID now
	node  string   // where the card is seated; empty for a folder
}

func (p *program) identifyCommand() *cobra.Command {
	i := &identifying{program: p}
	cmd := &cobra.Command{
		Use:   "identify DEV | --registers DIR",
		Short: "Tell what card this is, what it claims and what contradicts that",
		Long: "identify reads the registers of the card in DEV: who made it, when, how large\n" +
			"and how fast it says it is, and what in that does not fit together or does not\n" +
			"fit what the logbook knows of other cards. It writes nothing to the card.\n\n" +
			"A USB reader hides the registers. A reader that the kernel drives as an MMC\n" +
			"slot shows them, such as that of a board; a copy that was made there of the\n" +
			"folder /sys/block/mmcblkN/device can be read anywhere: --registers DIR. Some of\n" +
			"the files may be missing; a folder without any register is wrong usage.\n\n" +
			"Registers can be forged, and makers customise them: what is found is a reason to\n" +
			"look closer, and proves nothing.\n\n" + exitHelp(refused),
		Example: "  cardwright identify /dev/mmcblk0\n" +
			"  cardwright identify /dev/sdb --rated \"C10 U1\"\n" +
			"  cardwright identify --registers copied-from-board --fields",
		Args: func(cmd *cobra.Command, args []string) error {
			if i.folder != "" {
				return exactly()(cmd, args)
			}
			return exactly("DEV")(cmd, args)
		},
		RunE: func(cmd *cobra.Command, args []string) error { return i.run(cmd.Context(), args) },
	}
	cmd.Flags().StringVar(&i.folder, "registers", "", "read a `folder` with the files cid, csd, scr, ssr, as the kernel has it of a card")
	cmd.Flags().StringVar(&i.rated, "rated", "", "the speed `marks` printed on the card, such as \"C10 U1\"")
	cmd.Flags().StringVar(&i.label, "label", "", "the `label` written on the card: the logbook keeps its registers under it")
	cmd.Flags().BoolVar(&i.fields, "fields", false, "print every field of every register, with its bits and what they hold")
	return cmd
}

func (i *identifying) run(ctx context.Context, args []string) (err error) {
	startedAt := time.Now()
	if i.page.Printed, err = identity.ParseRated(i.rated); err != nil {
		return usagef("identify: --rated: %w", err)
	}
	if i.folder != "" {
		err = i.readFolder()
	} else {
		err = i.readDevice(ctx, args[0])
	}
	if err != nil {
		return err
	}
	if err := i.consult(ctx); err != nil {
		return err
	}
	return i.printed(
		func() error { return report.IdentityJSON(i.stdout, stampOf(startedAt, done), &i.page) },
		func() error { return report.WriteIdentity(i.stdout, &i.page, i.fields) },
	)
}

// readFolder reads the registers from the folder that was named.
func (i *identifying) readFolder() error {
	i.page.Device = i.folder
	folder := os.DirFS(i.folder)
	raw, err := identity.ReadFolder(folder)
	_, looked := fs.Stat(folder, ".")
	if missing, ok := errors.AsType[*fs.PathError](looked); ok {
		err = missing.Err // the path is told anyway
	}
	if err != nil {
		return usagef("identify: --registers %s: %w", i.folder, err)
	}
	i.decode(raw)
	return nil
}

func (i *identifying) decode(raw *identity.Raw) {
	i.page.Card, i.page.Unread = identity.Decode(raw), raw.Unread
}

// readDevice reads the registers of the card in a reader, as far as the kernel shows them.
func (i *identifying) readDevice(ctx context.Context, path string) error {
	i.page.Device = path
	d, err := i.describe(ctx, path)
	if err != nil {
		return err
	}
	i.page.SizeBytes, i.page.BusMode, i.page.BusBytesPerSecond = d.SizeBytes, d.Bus.Mode, d.Bus.BytesPerSecond
	i.node, i.twins = d.Node, d.Twins
	if d.RegisterFolder == "" {
		i.page.Hidden = whyHidden(d)
		return nil
	}
	raw, err := identity.ReadFolder(os.DirFS(d.RegisterFolder))
	if errors.Is(err, identity.ErrNoRegisters) {
		i.page.Hidden = whyHidden(d)
		return nil
	}
	if err != nil {
		return err
	}
	i.decode(raw)
	return nil
}

// describe asks the kernel about the disk, which opens none: one that does not answer holds up nobody. What the kernel does not know as a
// disk is opened for reading, which tells what it is.
func (i *identifying) describe(ctx context.Context, path string) (d device.Description, err error) {
	if d, known := device.Known(path, i.roots); known {
		return d, nil
	}
	return unlessInterrupted(ctx, func() (device.Description, error) {
		card, err := device.Open(ctx, path, device.Options{ReadOnly: true, Roots: i.roots})
		if err != nil {
			return d, err
		}
		return card.Description(), card.Close()
	})
}

// whyHidden says why a card's registers are not to be had, and what would show them.
func whyHidden(d device.Description) string {
	const slot = "A reader that the kernel drives as an MMC slot would show them, for instance that of a board. What is printed on the " +
		"card can be told with --rated."
	switch {
	case d.Kind == device.KindFile:
		return "none: a regular file has no registers"
	case d.Transport == device.TransportUSB:
		return "a USB reader hides them. " + slot
	}
	return "the kernel tells none of this disk. " + slot
}

// consult adds what the logbook knows. Without a logbook, the other readers of this machine are all that there is to compare with.
func (i *identifying) consult(ctx context.Context) error {
	if i.label != "" && i.page.Card == nil {
		i.complain("there are no registers that the logbook could keep under %s", i.label)
	}
	book, err := i.bookToConsult(ctx)
	if err != nil {
		return err
	}
	if book != nil {
		defer i.closeBook(book)
		if err := i.lookUp(ctx, book); err != nil {
			return err
		}
	}
	i.page.Findings = job.Doubts(ctx, i.page.Card, job.Neighbourhood{
		SizeBytes: i.page.SizeBytes, Label: i.label, Place: i.node, Twins: i.twins, Printed: i.page.Printed, Book: book,
	})
	return nil
}

// bookToConsult opens the logbook, for writing where there are registers to be kept. nil where there is none, or where it cannot be
// read, which is told.
func (i *identifying) bookToConsult(ctx context.Context) (*logbook.Book, error) {
	if i.label != "" && i.page.Card != nil {
		return i.openBook(ctx)
	}
	book, err := i.openForReading(ctx)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		i.complain("the logbook was not asked: %v", err)
	}
	return book, ignore(ctx, err)
}

// ignore drops an error that is no interruption.
func ignore(ctx context.Context, err error) error {
	if err != nil && ctx.Err() != nil {
		return context.Cause(ctx)
	}
	return nil
}

// lookUp keeps the registers where a label was given, and finds the card, its maker and others like it.
func (i *identifying) lookUp(ctx context.Context, book *logbook.Book) (err error) {
	registers := job.RegistersOf(i.page.Card)
	switch {
	case i.label != "" && registers == nil:
		i.page.Known, err = book.CardByLabel(ctx, i.label)
	case i.label != "":
		i.page.Known, err = book.MeetCard(ctx, i.label, i.page.SizeBytes, registers)
	case registers != nil && registers.CID != "":
		i.page.Known, err = book.CardByCID(ctx, registers.CID)
	}
	if err != nil && !errors.Is(err, logbook.ErrNoCard) {
		return err
	}
	i.page.Printed = job.PrintedOn(i.page.Printed, i.page.Known)
	if registers == nil || registers.CID == "" {
		return nil
	}
	if i.page.ProductCards, err = book.Product(ctx, registers.CID); err != nil {
		return err
	}
	makers, err := book.Makers(ctx)
	for _, maker := range makers {
		if maker.Kind == registers.Kind && maker.ManufacturerID == int(i.page.Card.CID.ManufacturerID) {
			i.page.Maker = maker.Name
		}
	}
	return err
}
