package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"

	"cardwright/flash/source"
)

// Find gives the entry of the very source that the name stands for, taken with these options; the caller closes it. A local
// file is known again by its looks and, where they are new, by its digest; a URL only by a digest of the packed source that was
// published; standard input never. What was published of the source is held against the entry as if it were read anew: a
// mismatch is a *source.Error. ErrNotPrepared says that there is none, or that it is damaged, which Options.Damaged is told.
func (s *Store) Find(ctx context.Context, name string, o source.Options) (*Prepared, error) {
	key, look, err := s.identify(ctx, name, o)
	if err != nil {
		return nil, err
	}
	p, err := s.open(ctx, key)
	if errors.Is(err, ErrDamaged) {
		s.damaged(err)
		return nil, fmt.Errorf("%w: %w", ErrNotPrepared, err)
	}
	if err != nil {
		return nil, err
	}
	if p.facts, err = source.Compare(name, o, p.facts, p.member); err != nil {
		return nil, errors.Join(err, p.Close())
	}
	if look != nil {
		s.learn(ctx, p.folder, *look)
	}
	return p, nil
}

// identify gives the key of a source that may be prepared and, of a local file, how it looks.
func (s *Store) identify(ctx context.Context, name string, o source.Options) (key string, look *sighting, err error) {
	if name == source.StandardInput {
		return "", nil, ErrNotPrepared
	}
	if source.IsURL(name) {
		sum, known, err := source.PublishedSum(name, o)
		if err == nil && !known {
			err = ErrNotPrepared
		}
		return sum.String() + variantOf(o), nil, err
	}
	info, err := os.Stat(name)
	if err != nil {
		return "", nil, ErrNotPrepared // opening it as an image says what is wrong
	}
	seen, ok := sightingOf(info)
	if !ok {
		return "", nil, ErrNotPrepared
	}
	key, err = s.keyOf(ctx, name, seen, variantOf(o))
	return key, &seen, err
}

// keyOf finds the entry of a local file: by its looks, else by its digest where one is of its size.
func (s *Store) keyOf(ctx context.Context, name string, seen sighting, variant string) (string, error) {
	keys, err := s.keys()
	if err != nil {
		return "", told("list", s.dir, err)
	}
	fits := false
	for _, key := range keys {
		if _, of, _ := strings.Cut(key, "-"); of != strings.TrimPrefix(variant, "-") {
			continue
		}
		folder := filepath.Join(s.dir, key)
		if seenAs(folder, seen) {
			return key, nil
		}
		body, _, err := readManifest(folder)
		fits = fits || err != nil || body.Image.PackedBytes == seen.SizeBytes // a damaged one may be this very source's
	}
	if !fits {
		return "", ErrNotPrepared
	}
	sum, err := digestOf(ctx, name, seen)
	return sum.String() + variant, err
}

// keys lists the entries.
func (s *Store) keys() (keys []string, err error) {
	found, err := os.ReadDir(s.dir)
	for _, f := range found {
		if f.IsDir() && keyForm.MatchString(f.Name()) {
			keys = append(keys, f.Name())
		}
	}
	return keys, ignoreMissing(err)
}

// open takes an entry into use. ErrNotPrepared: it is not there. ErrDamaged: it must not be used.
func (s *Store) open(ctx context.Context, key string) (p *Prepared, err error) {
	err = s.exclusively(ctx, func() (err error) {
		p, err = s.openLocked(key)
		return err
	})
	if ignoreMissing(err) == nil && p == nil {
		return nil, ErrNotPrepared
	}
	return p, told("open", filepath.Join(s.dir, key), err)
}

// openLocked is open for whoever keeps others from changing the store. An entry that is not there is fs.ErrNotExist.
func (s *Store) openLocked(key string) (*Prepared, error) {
	p, err := openUnmarked(filepath.Join(s.dir, key))
	if err == nil {
		s.markUsed(p.folder)
	}
	return p, err
}

// openUnmarked opens an entry without a note that it is used.
func openUnmarked(folder string) (*Prepared, error) {
	if _, err := os.Stat(folder); err != nil {
		return nil, err
	}
	image, err := lockImage(folder, unix.LOCK_SH)
	if err != nil {
		return nil, damagedUnless(err, ErrInUse)
	}
	body, manifest, err := readManifest(folder)
	if err == nil {
		err = mustBeWhole(image, manifest)
	}
	if err != nil {
		return nil, errors.Join(damagedUnless(err, ErrDamaged), image.Close())
	}
	return newPrepared(folder, image, body, manifest), nil
}

// damagedUnless takes an error of an entry's files for its damage, unless it says otherwise itself. Its cause is not kept: that a
// file of an entry is missing does not make the entry missing.
func damagedUnless(err, other error) error {
	if errors.Is(err, other) && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return fmt.Errorf("%w: %s", ErrDamaged, err.Error())
}
