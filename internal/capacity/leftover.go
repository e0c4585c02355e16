package capacity

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"cardwright/flash"
)

// A Leftover is what interrupted quick checks left in the folder for cards of this size.
type Leftover struct {
	// PutBack names the rescues whose content is back on the card, whole. They are deleted.
	PutBack []string `json:"put_back"`
	// NotWhole names those of this card that could not be put back whole. They stay.
	NotWhole []string `json:"not_whole"`
	// Left are the parts of the card that could not be put back, or that somebody else wrote since.
	Left []Range `json:"left"`
	// Elsewhere names rescues that may be of this card, but none of whose stamps is on it: they are of another, or of this one when it
	// was put back in another way. They stay, and the card was not written for them.
	Elsewhere []string `json:"elsewhere"`
	// InUse names those of a check that is under way. They were not touched.
	InUse []string `json:"in_use"`
	// Unreadable names those whose head is damaged, so that nothing tells which card they are of. They stay, and nothing was put back.
	Unreadable []string `json:"unreadable"`
}

// RestoreLeftover puts back what an interrupted quick check left unrestored on this very card, the latest check first. nil stands for
// nothing left. A card counts as the one of a rescue where it holds stamps of that very run, and is of its size and, where both are
// known, has its CID. Only such stamps are overwritten. A CID alone shows nothing: there are cards that share theirs.
//
// A card that answers no more ends it with a *flash.Error; other errors are of the context, which counts between two rescues alone, or
// of the folder. What is known by then is given beside it.
func RestoreLeftover(ctx context.Context, card flash.Card, o Options) (*Leftover, error) {
	f := folder{o.Folder, o.before}
	var left Leftover
	files, err := os.ReadDir(f.path)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	var found []*leftRescue
	defer func() {
		for _, r := range found {
			_ = r.file.Close() // it was read, and its lock goes in any case
		}
	}()
	for _, entry := range files {
		if !isRescueName(entry.Name()) || !entry.Type().IsRegular() {
			continue
		}
		r, err := f.openLeft(filepath.Join(f.path, entry.Name()))
		switch {
		case errors.Is(err, errLocked):
			left.InUse = append(left.InUse, filepath.Join(f.path, entry.Name()))
		case errors.Is(err, errRescue):
			left.Unreadable = append(left.Unreadable, filepath.Join(f.path, entry.Name()))
		case err != nil:
			return left.orNil(), err
		case r != nil && r.maybeOf(card, o.Card):
			found = append(found, r)
		case r != nil:
			_ = r.file.Close() // at once, so that whoever has its card at hand need not wait for this one
		}
	}
	slices.SortFunc(found, func(a, b *leftRescue) int { return b.head.Started.Compare(a.head.Started) })
	for _, r := range found {
		if ctx.Err() != nil {
			return left.orNil(), context.Cause(ctx)
		}
		if err := left.restore(f, r, card, o.meter()); err != nil {
			return left.orNil(), err
		}
	}
	return left.orNil(), nil
}

// orNil gives nil where there is nothing to tell.
func (l *Leftover) orNil() *Leftover {
	if len(l.PutBack)+len(l.NotWhole)+len(l.Elsewhere)+len(l.InUse)+len(l.Unreadable) == 0 {
		return nil
	}
	return l
}

// A leftRescue is a rescue that nobody has in use, opened and locked.
type leftRescue struct {
	file    *os.File
	head    rescueHead
	stamper Stamper
	parts   []keptPart
}

// openLeft opens a rescue. One without a whole head is deleted where it is too short to hold more: its run wrote to no card. A longer one
// is errRescue. nil stands for a file that is gone.
func (f folder) openLeft(path string) (*leftRescue, error) {
	file, err := os.OpenFile(path, os.O_RDWR, 0)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil // its check ended meanwhile
	}
	if err != nil {
		return nil, err
	}
	r := &leftRescue{file: file}
	err = lockFile(file)
	if err == nil && !isStill(path, file) { // its check ended meanwhile
		return nil, file.Close()
	}
	if err == nil {
		err = r.read()
	}
	if err == nil {
		return r, nil
	}
	if errors.Is(err, errRescue) {
		if info, told := file.Stat(); told == nil && info.Size() < rescueHeadAt+mostHeadBytes {
			err = f.remove(path)
		}
	}
	return nil, errors.Join(err, file.Close())
}

// read reads all but the contents.
func (r *leftRescue) read() error {
	info, err := r.file.Stat()
	if err != nil {
		return err
	}
	if r.head, r.parts, err = readRescue(r.file, info.Size()); err != nil {
		return err
	}
	r.stamper, err = r.head.stamper()
	return err
}

// maybeOf tells whether nothing in its mark speaks against this card.
func (r *leftRescue) maybeOf(card flash.Card, mark Mark) bool {
	was := r.head.Card
	return was.SizeBytes == card.SizeBytes() && (was.CID == "" || mark.CID == "" || strings.EqualFold(was.CID, mark.CID))
}

// restore puts one rescue back onto the card that it is of.
func (l *Leftover) restore(f folder, r *leftRescue, card flash.Card, meter *Meter) error {
	path := r.file.Name()
	back := newRestorer(card, r.file, r.stamper, r.parts, meter)
	back.careful = true
	known, err := back.finds()
	if err != nil {
		return err
	}
	if !known {
		l.Elsewhere = append(l.Elsewhere, path)
		return nil
	}
	whole, err := back.restore(card.SizeBytes())
	if !whole {
		l.NotWhole = append(l.NotWhole, path)
		l.Left = append(l.Left, back.left...)
		return err
	}
	l.PutBack = append(l.PutBack, path)
	return f.remove(path)
}
