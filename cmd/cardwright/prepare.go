package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/progress"
	"cardwright/internal/store"
)

// A preparing is one prepare command.
type preparing struct {
	*program
	imageFlags
	storeFlags
	list   bool
	remove string
}

func (p *program) prepareCommand() *cobra.Command {
	c := &preparing{program: p}
	cmd := &cobra.Command{
		Use:   "prepare IMAGE | --list | --remove NAME",
		Short: "Decode an image once, for card after card",
		Long: "prepare decodes an image, keeps it on this machine's disk, reads it back and\n" +
			"compares. flash then reads it from there, without decoding it, whenever it is\n" +
			"given the same source: the same file, one with the same bytes, or a URL together\n" +
			"with the --sha256 of its file. Runs of zeros take no room. Of every block, flash\n" +
			"compares the digest again before it writes it. batch prepares its image itself.\n\n" +
			"--list shows what is prepared, --remove takes one away: by the image's name or\n" +
			"the first digits of its key. One that another program reads is not removed.\n\n" +
			exitHelp(refused, badSource),
		Example: "  cardwright prepare board.img.xz\n  cardwright prepare --list\n  cardwright prepare --remove board.img.xz",
		Args: func(cmd *cobra.Command, args []string) error {
			if c.list || cmd.Flags().Changed("remove") {
				return exactly()(cmd, args)
			}
			return exactly("IMAGE")(cmd, args)
		},
	}
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		switch removing := cmd.Flags().Changed("remove"); {
		case c.list && removing:
			return usagef("prepare: --list and --remove are two commands")
		case c.list:
			return c.showList(cmd.Context())
		case removing:
			return c.removeOne(cmd.Context())
		}
		return c.prepare(cmd.Context(), args[0])
	}
	cmd.Flags().BoolVar(&c.list, "list", false, "list the prepared images instead")
	cmd.Flags().StringVar(&c.remove, "remove", "", "remove the prepared image of this `name` instead, or whose key begins with it")
	c.imageFlags.register(cmd)
	c.storeFlags.register(cmd)
	return cmd
}

// prepare makes sure that an image is prepared, and prints what is known of it then.
func (c *preparing) prepare(ctx context.Context, name string) error {
	startedAt := time.Now()
	options, err := c.imageFlags.options(c.program, 0)
	if err != nil {
		return err
	}
	s, err := c.openStore(ctx, c.storeFlags)
	if err != nil {
		return err
	}
	found, decoded, err := c.findOrDecode(ctx, s, name, options)
	if err != nil {
		return err
	}
	defer found.Close() // it was only looked at
	return c.printPrepared(startedAt, s, found, decoded)
}

// findOrDecode gives the prepared image of a source, and prepares it where it is not there yet, which it shows and tells.
func (p *program) findOrDecode(ctx context.Context, s *store.Store, name string, o source.Options,
) (found *store.Prepared, decoded bool, err error) {
	found, err = s.Prepare(ctx, name, o, func(preparation *store.Preparation, meter *flash.Meter, work func()) {
		decoded = true
		p.progressOf(progress.NewTrack(preparation.Facts().Name, meter, preparation, 0)).During(work)
	})
	if _, bad := errors.AsType[*source.Error](err); bad {
		err = ofImage(name, err)
	}
	return found, decoded, err
}

func (c *preparing) showList(ctx context.Context) error {
	startedAt := time.Now()
	s, err := c.openStore(ctx, c.storeFlags)
	if err != nil {
		return err
	}
	entries, err := s.Entries(ctx)
	if err != nil {
		return err
	}
	return c.printEntries(startedAt, s, entries)
}

// removeOne removes the one entry that the operator means.
func (c *preparing) removeOne(ctx context.Context) error {
	startedAt := time.Now()
	s, err := c.openStore(ctx, c.storeFlags)
	if err != nil {
		return err
	}
	meant, err := s.Match(ctx, c.remove)
	if err != nil {
		return err
	}
	switch len(meant) {
	case 0:
		return fmt.Errorf("%q: %w", c.remove, store.ErrNotPrepared)
	case 1:
	default:
		return usagef("prepare: --remove %q may be any of %d prepared images; give more digits of the key, which --list shows",
			c.remove, len(meant))
	}
	if err := s.Remove(ctx, meant[0].Key); err != nil {
		return err
	}
	return c.printRemoved(startedAt, s, meant[0])
}
