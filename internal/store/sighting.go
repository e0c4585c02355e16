package store

import (
	"context"
	"crypto/sha256"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"time"

	"cardwright/flash/source"
)

// A sighting is how a local file looked whose content is known. A file that looks the same has the same content: every write
// changes the time of its last change, which nobody can set.
type sighting struct {
	SizeBytes     int64  `json:"size_bytes"`
	ModifiedNanos int64  `json:"modified_ns"`
	ChangedNanos  int64  `json:"changed_ns"`
	DeviceNumber  uint64 `json:"device_number"`
	Inode         uint64 `json:"inode"`
}

// settledAfter is how long a file must have stood unchanged before its looks say anything: a clock of a file system may tick
// so slowly that two changes get the same time, that of FAT once in 2 s.
const settledAfter = 2 * time.Second

// maxSightings bounds how many places of the same file an entry remembers.
const maxSightings = 8

// sightingOf tells how a regular file looks; ok is false for anything else.
func sightingOf(info fs.FileInfo) (s sighting, ok bool) {
	if info == nil || !info.Mode().IsRegular() {
		return sighting{}, false
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return sighting{}, false
	}
	return sighting{info.Size(), st.Mtim.Nano(), st.Ctim.Nano(), uint64(st.Dev), st.Ino}, true
}

// settled tells whether the file stood unchanged for long enough.
func (s sighting) settled(now time.Time) bool {
	return now.UnixNano()-max(s.ChangedNanos, s.ModifiedNanos) > int64(settledAfter)
}

// seenAs tells whether the source of an entry was seen like this. What cannot be read was not.
func seenAs(folder string, s sighting) bool {
	var seen seenBody
	return unseal(filepath.Join(folder, seenName), &seen) == nil && slices.Contains(seen.Sightings, s)
}

// learn adds a sighting to those of an entry. That it cannot be kept costs no more than a digest the next time.
func (s *Store) learn(ctx context.Context, folder string, latest sighting) {
	if !latest.settled(s.now()) || seenAs(folder, latest) {
		return
	}
	_ = s.exclusively(ctx, func() error {
		var seen seenBody
		_ = unseal(filepath.Join(folder, seenName), &seen) // what cannot be read is written anew
		seen.Sightings = slices.Insert(seen.Sightings, 0, latest)
		seen.Sightings = seen.Sightings[:min(len(seen.Sightings), maxSightings)]
		return s.writeSeen(folder, seen)
	})
}

// writeSeen replaces the sightings of an entry, and marks it as used.
func (s *Store) writeSeen(folder string, seen seenBody) error {
	content, err := seal(seen)
	if err != nil {
		return err
	}
	path := filepath.Join(folder, seenName)
	fresh := path + ".new"
	if err := s.disk.remove(fresh); err != nil { // from a program that did not end well
		return err
	}
	if err := s.disk.writeFile(fresh, content); err != nil {
		return err
	}
	if err := s.disk.rename(fresh, path); err != nil {
		return err
	}
	s.markUsed(folder)
	return nil
}

// markUsed notes that an entry is used now. Where that fails, it only goes the sooner.
func (s *Store) markUsed(folder string) {
	_ = os.Chtimes(filepath.Join(folder, seenName), time.Time{}, s.now())
}

// usedAt is when an entry was used last; the zero time where that is not known.
func usedAt(folder string) time.Time {
	info, err := os.Stat(filepath.Join(folder, seenName))
	if err != nil {
		return time.Time{}
	}
	return info.ModTime()
}

// digestOf reads a file that looked like this and gives its digest. A file that changes meanwhile has none: ErrNotPrepared.
func digestOf(ctx context.Context, path string, before sighting) (source.Sum, error) {
	file, err := os.Open(path)
	if err != nil {
		return source.Sum{}, ErrNotPrepared // opening it as an image says what is wrong
	}
	defer file.Close() // it was only read
	digest := sha256.New()
	buffer := make([]byte, 1<<20)
	for {
		if ctx.Err() != nil {
			return source.Sum{}, context.Cause(ctx)
		}
		n, err := file.Read(buffer)
		digest.Write(buffer[:n])
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return source.Sum{}, ErrNotPrepared
		}
	}
	info, err := file.Stat()
	if err != nil {
		return source.Sum{}, ErrNotPrepared
	}
	if after, ok := sightingOf(info); !ok || after != before {
		return source.Sum{}, ErrNotPrepared
	}
	return source.Sum(digest.Sum(nil)), nil
}
