package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// A tenant is a folder that takes room on the disk.
type tenant struct {
	folder         string
	allocatedBytes int64
	usedAt         time.Time
	image          *os.File // locked against all others; nil where it is in use or not finished
}

// makeRoom makes sure that a draft may take so many bytes, by the store's limit and by what the disk has left. Entries that
// nobody uses go for it, those first that were used least lately; but none does where that would not be enough. Else: ErrNoRoom.
func (s *Store) makeRoom(ctx context.Context, d *draft, wantBytes int64) error {
	return s.exclusively(ctx, func() error {
		tenants, err := s.tenants(d.folder)
		defer func() {
			for _, t := range tenants {
				t.free()
			}
		}()
		if err != nil {
			return err
		}
		free, err := freeBytes(s.dir)
		if err != nil {
			return err
		}
		return s.settle(tenants, wantBytes, s.limitBytes-wantBytes, free+d.written-wantBytes)
	})
}

// settle removes entries until what the others take fits, and what is missing on the disk is there. mayTakeBytes is what the
// others may take by the limit, spareBytes what the disk has beyond what is wanted; both may be negative.
func (s *Store) settle(tenants []*tenant, wantBytes, mayTakeBytes, spareBytes int64) error {
	var leave []*tenant
	taken, staying := int64(0), int64(0)
	for _, t := range tenants {
		taken += t.allocatedBytes
		if t.image == nil {
			staying += t.allocatedBytes
		}
	}
	if staying > mayTakeBytes {
		return fmt.Errorf("%w: it takes up to %d bytes, others that are in use take %d, and the limit is %d", ErrNoRoom,
			wantBytes, staying, s.limitBytes)
	}
	if spareBytes+taken-staying < 0 {
		return fmt.Errorf("%w: it takes up to %d bytes, and the disk has room for %d", ErrNoRoom, wantBytes,
			max(wantBytes+spareBytes+taken-staying, 0))
	}
	slices.SortFunc(tenants, func(a, b *tenant) int { return a.usedAt.Compare(b.usedAt) })
	for _, t := range tenants {
		if taken <= mayTakeBytes && spareBytes >= 0 {
			break
		}
		if t.image != nil {
			leave = append(leave, t)
			taken, spareBytes = taken-t.allocatedBytes, spareBytes+t.allocatedBytes
		}
	}
	for _, t := range leave {
		if err := s.takeAway(t.folder); err != nil {
			return err
		}
		t.free() // only then the disk has its room back
	}
	return nil
}

// tenants lists the entries, and the folders where others work, but for one. The caller frees them.
func (s *Store) tenants(but string) ([]*tenant, error) {
	keys, err := s.keys()
	if err != nil {
		return nil, err
	}
	work, err := s.work()
	if err != nil {
		return nil, err
	}
	var all []*tenant
	for _, key := range keys {
		t := &tenant{folder: filepath.Join(s.dir, key)}
		t.usedAt = usedAt(t.folder)
		if t.image, err = lockImage(t.folder, unix.LOCK_EX); err != nil && !errors.Is(err, ErrInUse) && ignoreMissing(err) != nil {
			return all, err
		}
		all = append(all, t)
	}
	for _, folder := range work {
		if folder != but {
			all = append(all, &tenant{folder: folder})
		}
	}
	for _, t := range all {
		if info, err := os.Stat(filepath.Join(t.folder, imageName)); err == nil {
			t.allocatedBytes = allocatedBytes(info)
		}
	}
	return all, nil
}

// free lets others use a tenant's image.
func (t *tenant) free() {
	if t.image != nil {
		_ = t.image.Close() // it was only locked
		t.image = nil
	}
}

// allocatedBytes is what a file takes on the disk; holes take nothing. The kernel counts in units of 512 bytes (stat(2)).
func allocatedBytes(info fs.FileInfo) int64 {
	if st, ok := info.Sys().(*syscall.Stat_t); ok {
		return st.Blocks * 512
	}
	return info.Size()
}

// freeBytes is what a disk has left for whoever is not root.
func freeBytes(path string) (int64, error) {
	var state unix.Statfs_t
	if err := unix.Statfs(path, &state); err != nil {
		return 0, err
	}
	return int64(state.Bavail) * int64(state.Bsize), nil
}
