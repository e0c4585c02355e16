package store

import (
	"context"
	"errors"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"

	"cardwright/flash"
	"cardwright/partition"
)

// prove reads a draft back from the medium and compares every block. It gives the table that the image holds.
func prove(ctx context.Context, d *draft, meter *flash.Meter) (*partition.Table, error) {
	meter.Enter(flash.StepProof)
	// It only asks: where the pages stay, as in memory file systems, the proof is of what any later reader gets.
	_ = unix.Fadvise(int(d.file.Fd()), 0, 0, unix.FADV_DONTNEED)
	back := &blocks{path: d.file.Name(), file: d.file, manifest: &d.manifest, held: -1, rotten: nobody}
	block := make([]byte, flash.BlockBytes)
	for i := range d.manifest.Blocks {
		if ctx.Err() != nil {
			return nil, context.Cause(ctx)
		}
		b := d.manifest.Block(i)
		if _, err := back.ReadAt(block[:b.LengthBytes], b.OffsetBytes); err != nil {
			return nil, err
		}
		meter.Proved(b.LengthBytes)
	}
	return partition.Inspect(back, d.manifest.ImageBytes, partition.ImageSectorBytes)
}

// describe writes what belongs beside the image, and brings it and the folder to the medium.
func (s *Store) describe(folder string, body *manifestBody) error {
	manifest, err := seal(body)
	if err != nil {
		return err
	}
	seen, err := seal(seenBody{Sightings: []sighting{}})
	if err != nil {
		return err
	}
	if err := s.disk.writeFile(filepath.Join(folder, manifestName), manifest); err != nil {
		return err
	}
	if err := s.disk.writeFile(filepath.Join(folder, seenName), seen); err != nil {
		return err
	}
	return s.disk.syncFolder(folder)
}

// place makes an entry of a draft, for whoever keeps others from changing the store. One that is there and sound stays, and the
// draft goes; a damaged one makes room.
func (s *Store) place(d *draft, body *manifestBody) (*Prepared, error) {
	folder := filepath.Join(s.dir, body.Key)
	there, err := s.openLocked(body.Key)
	if err == nil {
		there.facts = body.Image
		if err := d.discard(); err != nil {
			return nil, errors.Join(err, there.Close())
		}
		return there, nil
	}
	if errors.Is(err, ErrDamaged) {
		err = s.takeAway(folder)
	}
	if ignoreMissing(err) != nil {
		return nil, err
	}
	if err := s.disk.rename(d.folder, folder); err != nil {
		return nil, err
	}
	d.folder = folder // what is discarded from here on is the entry
	if err := s.disk.syncFolder(s.dir); err != nil {
		return nil, err
	}
	s.markUsed(folder)
	return newPrepared(folder, d.file, body, &d.manifest), nil
}

// takeAway removes a folder in two steps, so that there is never half an entry: a crash between them leaves a leftover.
func (s *Store) takeAway(folder string) error {
	gone, err := s.disk.makeWork(s.dir)
	if err != nil {
		return err
	}
	if err := s.disk.rename(folder, filepath.Join(gone, filepath.Base(folder))); err != nil {
		return errors.Join(err, s.disk.remove(gone))
	}
	return errors.Join(s.disk.syncFolder(s.dir), s.disk.remove(gone))
}

// nobody is told of a draft's rot: the draft goes anyway.
func nobody(*os.File) {}
