package main

import (
	"context"
	"os"

	"github.com/spf13/cobra"

	"cardwright/internal/store"
)

// storeFlags say where prepared images lie, and how much they may take.
type storeFlags struct {
	dir        string
	limitBytes int64 // 0 where nobody says
}

func (f *storeFlags) register(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.dir, "store", "", "the `folder` of prepared images (else "+store.RootDir+" for root, cardwright in the "+
		"user's cache folder for others)")
	cmd.Flags().Func("store-limit",
		"the `size` on the disk that prepared images may have together (else 64GB); for a new one, those go that were used least lately",
		func(text string) (err error) {
			f.limitBytes, err = parseSize(text, "size of a store")
			return err
		})
}

// path is the store's folder.
func (f *storeFlags) path(p *program) (string, error) {
	if f.dir != "" {
		return f.dir, nil
	}
	return store.DefaultDir(p.effectiveUser, p.env)
}

// openStore opens the store. A damaged entry that it meets is told at once.
func (p *program) openStore(ctx context.Context, f storeFlags) (*store.Store, error) {
	dir, err := f.path(p)
	if err != nil {
		return nil, err
	}
	return store.Open(ctx, dir, store.Options{
		LimitBytes: f.limitBytes,
		Damaged:    func(err error) { p.complain("%v; it is not used", err) },
	})
}

// storeKept is the folder that no target may hold: where prepared images lie, or will.
func (p *program) storeKept(f storeFlags, willBe bool) []kept {
	dir, err := f.path(p)
	if err != nil {
		return nil // nothing is kept there
	}
	if _, err := os.Stat(dir); err != nil && !willBe {
		return nil
	}
	return []kept{{existing(dir), "the prepared images"}}
}
