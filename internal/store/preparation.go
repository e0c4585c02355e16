package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"sync"

	"golang.org/x/sys/unix"

	"cardwright/flash"
	"cardwright/flash/source"
)

// A Preparation is an image that goes into the store while it is read, be it on its way to cards or for its own sake. What goes
// wrong with the store is told by Finish, never by Read: it must harm no card.
type Preparation struct {
	*source.Image
	store  *Store
	name   string
	suffix string // of the key: how the image is taken out of its source

	mu     sync.Mutex // guards what follows: a Read that hung may return when nobody waits for it any more
	draft  *draft     // nil once it was given up or finished
	failed error      // why the image cannot be kept
	ended  bool       // the image ended soundly
}

// A Watch shows a preparation for as long as work runs, which it calls once. The meter shows the reading and then the proof.
type Watch func(p *Preparation, meter *flash.Meter, work func())

// Prepare gives the entry of a source, and prepares it where there is none, which watch shows where it is not nil. ctx governs both.
// Errors are as for Find and Run, or *source.Error.
func (s *Store) Prepare(ctx context.Context, name string, o source.Options, watch Watch) (made *Prepared, err error) {
	found, err := s.Find(ctx, name, o)
	if !errors.Is(err, ErrNotPrepared) {
		return found, err
	}
	image, err := source.Open(ctx, name, o)
	if err != nil {
		return nil, err
	}
	p, err := s.Begin(ctx, image, name, o)
	if err != nil {
		return nil, errors.Join(err, image.Close())
	}
	defer p.Close() // it is finished, or failed already
	meter := &flash.Meter{}
	work := func() { made, err = p.Run(ctx, meter) }
	if watch == nil {
		work()
	} else {
		watch(p, meter, work)
	}
	return made, err
}

// Begin makes room for an opened image of which nothing was read yet, and lets it go into the store while it is read. name and
// the options are those that it was opened with. The caller closes the Preparation, which closes the image. ErrNoRoom says that it
// does not fit.
func (s *Store) Begin(ctx context.Context, image *source.Image, name string, o source.Options) (*Preparation, error) {
	p := &Preparation{Image: image, store: s, name: name, suffix: variantOf(o)}
	if err := s.disk.makeFolder(s.dir); err != nil {
		return nil, told("prepare", s.dir, err)
	}
	if err := s.exclusively(ctx, p.start); err != nil {
		return nil, told("prepare", s.dir, err)
	}
	p.draft.room = func(wantBytes int64) error { return s.makeRoom(ctx, p.draft, wantBytes) }
	if declared, known := image.DeclaredBytes(); known {
		if err := p.draft.room(declared); err != nil {
			return nil, errors.Join(told("prepare", s.dir, err), p.draft.discard())
		}
		p.draft.granted = declared
	}
	return p, nil
}

// start makes the folder that the image grows in, and locks it.
func (p *Preparation) start() error {
	folder, err := p.store.disk.makeWork(p.store.dir)
	if err != nil {
		return err
	}
	if p.draft, err = newDraft(p.store.disk, folder); err != nil {
		return errors.Join(err, p.store.disk.remove(folder))
	}
	if err := tryLock(p.draft.file, unix.LOCK_SH); err != nil {
		return errors.Join(err, p.draft.discard())
	}
	return nil
}

// Read reads the image as source.Image does, and keeps what it gives.
func (p *Preparation) Read(b []byte) (int, error) {
	n, err := p.Image.Read(b)
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.draft == nil {
		return n, err
	}
	if failed := p.draft.write(b[:n]); failed != nil {
		p.giveUp(failed) // at once: whoever needs the room shall have it
	}
	if errors.Is(err, io.EOF) {
		p.ended = true
	} else if err != nil {
		p.giveUp(fmt.Errorf("%w: %w", ErrUnfinished, err))
	}
	return n, err
}

// giveUp keeps nothing of the image.
func (p *Preparation) giveUp(cause error) {
	if p.draft == nil {
		return
	}
	p.failed = errors.Join(cause, p.draft.discard())
	p.draft = nil
}

// Run reads the image to its end and finishes it. The error is the image's (*source.Error), the context's, or as for Finish.
func (p *Preparation) Run(ctx context.Context, meter *flash.Meter) (*Prepared, error) {
	if meter == nil {
		meter = &flash.Meter{}
	}
	meter.Enter(flash.StepSource)
	// The pump reads on while it digests, and waits for no pipe that nobody fills. It needs one buffer beside the head's.
	err := flash.NewPump(flash.NewPool(2)).Run(ctx, keptOrFailed{p})
	prepared, failed := p.Finish(ctx, meter)
	if _, bad := errors.AsType[*source.Error](err); bad {
		return nil, err
	}
	return prepared, failed
}

// A keptOrFailed ends the reading where the store fails: nobody else wants the image.
type keptOrFailed struct{ *Preparation }

func (k keptOrFailed) Read(b []byte) (int, error) {
	n, err := k.Preparation.Read(b)
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.failed != nil && err == nil {
		return n, k.failed
	}
	return n, err
}

// Finish proves what was kept by reading it back, from the medium as far as the kernel's cache can be dropped, and makes an entry
// of it; where another program made the same one meanwhile, that one is given. An image that did not end soundly is
// ErrUnfinished. After an error nothing of it is left. Errors are *Error or the context's.
func (p *Preparation) Finish(ctx context.Context, meter *flash.Meter) (*Prepared, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.ended {
		p.giveUp(ErrUnfinished)
	}
	if ctx.Err() != nil {
		p.giveUp(context.Cause(ctx))
		return nil, context.Cause(ctx)
	}
	if p.draft == nil {
		return nil, told("prepare", p.store.dir, p.failed)
	}
	if meter == nil {
		meter = &flash.Meter{}
	}
	prepared, err := p.publish(ctx, meter)
	if err != nil {
		p.giveUp(err)
		if ctx.Err() != nil {
			return nil, context.Cause(ctx)
		}
		return nil, told("prepare", p.store.dir, p.failed)
	}
	p.draft, p.failed = nil, ErrUnfinished // there is nothing more to finish
	if look, ok := sightingOf(p.FileInfo()); ok && p.stillLooks(look) {
		p.store.learn(ctx, prepared.folder, look)
	}
	return prepared, nil
}

// Close closes the image, and keeps nothing of it unless Finish did. A Read that is under way is not waited for.
func (p *Preparation) Close() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.giveUp(ErrUnfinished)
	return p.Image.Close()
}

// publish brings the draft to the medium, proves it, describes it, and gives it its place.
func (p *Preparation) publish(ctx context.Context, meter *flash.Meter) (*Prepared, error) {
	d := p.draft
	if err := d.finish(); err != nil {
		return nil, err
	}
	body := &manifestBody{
		Key: p.Facts().PackedSHA256 + p.suffix, Source: originOf(p.name), Member: p.Member(), PreparedAt: p.store.now().UTC(),
		Image: p.Facts(), Blocks: hexOf(d.manifest.Blocks),
	}
	var err error
	if body.Table, err = prove(ctx, d, meter); err != nil {
		return nil, err
	}
	if err := p.store.describe(d.folder, body); err != nil {
		return nil, err
	}
	var prepared *Prepared
	err = p.store.exclusively(ctx, func() error {
		prepared, err = p.store.place(d, body)
		return err
	})
	return prepared, err
}

// stillLooks tells whether the file that was opened is still the one of that name, and unchanged.
func (p *Preparation) stillLooks(then sighting) bool {
	info, err := os.Stat(p.name)
	if err != nil {
		return false
	}
	now, ok := sightingOf(info)
	return ok && now == then
}

// originOf is a source's name as it may be kept: a path that holds from anywhere, a URL without its password.
func originOf(name string) string {
	if source.IsURL(name) {
		if address, err := url.Parse(name); err == nil {
			return address.Redacted()
		}
		return ""
	}
	if path, err := filepath.Abs(name); err == nil && name != source.StandardInput {
		return path
	}
	return name
}
