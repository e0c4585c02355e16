package store

import (
	"cmp"
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"cardwright/flash/source"
)

// An Entry is what is told of an entry.
type Entry struct {
	Key            string       `json:"key"`         // the digest of the packed source, and how the image was taken out of it
	Source         string       `json:"source"`      // where it came from; empty where Complaint is not
	PreparedAt     *time.Time   `json:"prepared_at"` // nil where Complaint is not empty
	UsedAt         *time.Time   `json:"used_at"`     // nil where that is not known
	Image          source.Facts `json:"image"`
	AllocatedBytes int64        `json:"allocated_bytes"` // on the disk; holes take nothing
	InUse          bool         `json:"in_use"`          // by whoever else
	Complaint      string       `json:"complaint"`       // why it will not be used but prepared anew; else empty
}

// Entries lists what the store holds, what was used latest first. Their blocks are not read.
func (s *Store) Entries(ctx context.Context) (entries []Entry, err error) {
	entries = []Entry{}
	err = s.exclusively(ctx, func() error {
		keys, err := s.keys()
		for _, key := range keys {
			entries = append(entries, s.entry(key))
		}
		return err
	})
	slices.SortStableFunc(entries, func(a, b Entry) int {
		return cmp.Or(b.lastUse().Compare(a.lastUse()), cmp.Compare(a.Key, b.Key))
	})
	return entries, told("list", s.dir, ignoreMissing(err))
}

// entry looks at one entry.
func (s *Store) entry(key string) Entry {
	folder := filepath.Join(s.dir, key)
	image, err := lockImage(folder, unix.LOCK_EX)
	inUse := errors.Is(err, ErrInUse)
	if err == nil {
		_ = image.Close() // it was only locked
	}
	p, err := openUnmarked(folder)
	if err == nil {
		defer p.Close() // it was only looked at
		e := p.Entry()
		e.InUse = inUse
		return e
	}
	e := Entry{Key: key, UsedAt: knownTime(usedAt(folder)), InUse: inUse, Complaint: err.Error()}
	if info, err := os.Stat(filepath.Join(folder, imageName)); err == nil {
		e.AllocatedBytes = allocatedBytes(info)
	}
	return e
}

// Entry tells of an entry what a list would.
func (p *Prepared) Entry() Entry {
	return Entry{
		Key: p.Key(), Source: p.origin, PreparedAt: &p.preparedAt, UsedAt: knownTime(usedAt(p.folder)), Image: p.facts,
		AllocatedBytes: p.AllocatedBytes(),
	}
}

// lastUse is when an entry was used last; the zero time where that is not known.
func (e Entry) lastUse() time.Time {
	if e.UsedAt == nil {
		return time.Time{}
	}
	return *e.UsedAt
}

// knownTime gives nil for the zero time.
func knownTime(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return new(t.UTC())
}

// Match gives the entries of images of that name, or whose key begins with it.
func (s *Store) Match(ctx context.Context, name string) ([]Entry, error) {
	entries, err := s.Entries(ctx)
	return slices.DeleteFunc(entries, func(e Entry) bool {
		return name == "" || e.Image.Name != name && !strings.HasPrefix(e.Key, strings.ToLower(name))
	}), err
}

// Remove removes an entry. ErrInUse: a program works with it, and it stays. ErrNotPrepared: there is none.
func (s *Store) Remove(ctx context.Context, key string) error {
	if !keyForm.MatchString(key) {
		return &Error{Op: "remove", Path: s.dir, Err: ErrNotPrepared}
	}
	folder := filepath.Join(s.dir, key)
	err := s.exclusively(ctx, func() error {
		if _, err := os.Stat(folder); err != nil {
			return err
		}
		image, err := lockImage(folder, unix.LOCK_EX)
		if ignoreMissing(err) != nil {
			return err
		}
		if image != nil {
			defer image.Close() // it was only locked
		}
		return s.takeAway(folder)
	})
	if err != nil && ignoreMissing(err) == nil {
		err = ErrNotPrepared
	}
	return told("remove", folder, err)
}
