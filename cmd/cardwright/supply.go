package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/logbook"
	"cardwright/internal/progress"
	"cardwright/internal/report"
	"cardwright/internal/store"
)

// A supply is where a command takes its image from: a prepared one, or its source, from which it may go into the store on the way.
type supply struct {
	openImage
	prepared *store.Prepared    // nil where the source is decoded
	keeping  *store.Preparation // nil where it is not kept on the way
	again    func(context.Context) (io.ReadCloser, error)
}

// openSupply opens the image, prepared where the store holds it. A store that fails stops no card: that is told.
func (p *program) openSupply(ctx context.Context, name string, o source.Options, flags storeFlags, keep bool) (*supply, error) {
	s, err := p.openStore(ctx, flags)
	var found *store.Prepared
	if err == nil {
		found, err = s.Find(ctx, name, o)
	}
	_, badSource := errors.AsType[*source.Error](err)
	switch {
	case ctx.Err() != nil:
		return nil, errors.Join(context.Cause(ctx), closeFound(found))
	case err == nil:
		return p.takePrepared(ctx, found)
	case badSource:
		return nil, ofImage(name, err)
	case errors.Is(err, store.ErrNotPrepared):
	case !errors.Is(err, store.ErrNoHome) || keep:
		p.complain("prepared images cannot be used: %v", err)
		s = nil
	}
	image, err := openSource(ctx, name, o)
	if err != nil {
		return nil, err
	}
	decoded := &supply{openImage: image, again: again(name, o)}
	if !keep || s == nil {
		return decoded, nil
	}
	keeping, err := s.Begin(ctx, image, name, o)
	if err != nil {
		p.complain("the image will not be kept: %v", err)
		return decoded, nil
	}
	decoded.openImage, decoded.keeping = keeping, keeping
	return decoded, nil
}

// takePrepared reads a prepared image instead of its source, and says so.
func (p *program) takePrepared(ctx context.Context, found *store.Prepared) (*supply, error) {
	image, err := found.Image(ctx)
	if err != nil {
		return nil, errors.Join(err, found.Close())
	}
	fmt.Fprintf(p.stderr, "The image is prepared: it is read from %s\n", report.Printable(found.Path()))
	return &supply{
		openImage: image, prepared: found,
		again: func(ctx context.Context) (io.ReadCloser, error) { return found.Image(ctx) },
	}, nil
}

// settleSupply ends what began with the image, once the cards are done: what was kept on the way is proven, or it is told why it
// is not kept. No card's result depends on it.
func (f *flashing) settleSupply(ctx context.Context, s *supply, runs []logbook.Run) {
	if s.prepared != nil && slices.ContainsFunc(runs, isOfSource) {
		f.complain("not the image itself is bad, but what was prepared of it: flash again, it will be decoded anew")
	}
	if s.keeping == nil {
		return
	}
	meter := &flash.Meter{}
	var err error
	f.progressOf(progress.NewTrack("store", meter, s, 0)).During(func() {
		var stored *store.Prepared
		if stored, err = s.keeping.Finish(ctx, meter); err == nil {
			err = stored.Close()
		}
	})
	if err != nil {
		f.complain("the image was not kept: %v", err)
		return
	}
	fmt.Fprintln(f.stderr, "The image is prepared now: for the next cards it is not decoded again.")
}

// isOfSource tells whether a run failed by its image.
func isOfSource(run logbook.Run) bool {
	return run.Error != nil && run.Error.Class == logbook.ClassSource
}

// Close ends the reading, and lets a prepared image go.
func (s *supply) Close() error { return errors.Join(s.openImage.Close(), closeFound(s.prepared)) }

// closeFound closes a prepared image, if there is one.
func closeFound(found *store.Prepared) error {
	if found == nil {
		return nil
	}
	return found.Close()
}
