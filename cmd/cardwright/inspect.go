package main

import (
	"context"
	"errors"
	"os"
	"time"

	"github.com/spf13/cobra"

	"cardwright/flash/source"
	"cardwright/internal/device"
	"cardwright/internal/job"
	"cardwright/partition"
)

func (p *program) inspectCommand() *cobra.Command {
	var way imageFlags
	cmd := &cobra.Command{
		Use:   "inspect DEV|IMAGE",
		Short: "Tell which table and file systems a card or an image holds",
		Long: "inspect reads a disk, a regular file or an image and prints its partition table,\n" +
			"its file systems and what is odd about them. It writes nothing. A packed image\n" +
			"(xz, gzip, zstd, bzip2, zip), a URL and - for standard input are decoded on the\n" +
			"way. Findings are no failure.\n\n" +
			exitHelp(refused, badSource, cardFailed),
		Example: "  cardwright inspect /dev/sdb\n  cardwright inspect board.img.xz",
		Args:    exactly("DEV or IMAGE"),
		RunE:    func(cmd *cobra.Command, args []string) error { return p.inspect(cmd.Context(), args[0], way) },
	}
	way.registerWay(cmd)
	return cmd
}

func (p *program) inspect(ctx context.Context, name string, way imageFlags) error {
	startedAt := time.Now()
	options, err := way.options(p, 0)
	if err != nil {
		return err
	}
	table, err := inspected(ctx, name, options)
	if err != nil {
		return err
	}
	return p.printTable(startedAt, table)
}

// inspected reads the table of whatever the name stands for.
func inspected(ctx context.Context, name string, o source.Options) (*partition.Table, error) {
	if !isLocal(name) || o.Member != "" {
		return inspectSource(ctx, name, o)
	}
	if o.Raw {
		return inspectCard(ctx, name)
	}
	packed, err := looksPacked(ctx, name)
	if err != nil {
		return nil, err
	}
	if !packed {
		return inspectCard(ctx, name)
	}
	return inspectSource(ctx, name, o)
}

// looksPacked tells whether a file is a container. Only its start is read, as a stream: so no checksum file beside it is
// asked, which may speak of what the file was before it served as a card.
func looksPacked(ctx context.Context, path string) (packed bool, err error) {
	info, err := os.Stat(path)
	if err != nil || !info.Mode().IsRegular() {
		return false, nil // what is wrong with it, opening it as a card tells
	}
	file, err := os.Open(path)
	if err != nil {
		return false, nil
	}
	defer file.Close()
	image, err := source.Open(ctx, standardInput, source.Options{Stdin: file})
	if errors.Is(err, source.ErrUnknownFormat) || errors.Is(err, source.ErrEmpty) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	return image.Facts().Format != source.FormatRaw, image.Close()
}

// inspectCard reads a disk or a regular file as it is.
func inspectCard(ctx context.Context, path string) (*partition.Table, error) {
	return unlessInterrupted(ctx, func() (table *partition.Table, err error) {
		card, err := device.Open(ctx, path, device.Options{ReadOnly: true})
		if err != nil {
			return nil, err
		}
		defer func() { err = errors.Join(err, card.Close()) }()
		return job.TableOn(card)
	})
}

// inspectSource decodes an image once and keeps what its table and file systems need, so that no unpacked copy is made.
func inspectSource(ctx context.Context, name string, o source.Options) (table *partition.Table, err error) {
	image, err := openSource(ctx, name, o)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, image.Close()) }()
	if table, err = job.TableOf(ctx, image); err != nil {
		return nil, ofImage(name, err)
	}
	return table, nil
}
