//go:build device

package store_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"cardwright/flash/source"
	"cardwright/internal/store"
)

// smallDisk mounts a file system of 12 MiB in memory and takes it away with the test.
func smallDisk(t *testing.T) string {
	t.Helper()
	folder := t.TempDir()
	if err := unix.Mount("none", folder, "tmpfs", 0, "size=12m"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(folder, 0); err != nil {
			t.Error(err)
		}
	})
	return folder
}

// fill takes all the room that is left.
func fill(t *testing.T, path string) {
	t.Helper()
	file, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	for err == nil {
		_, err = file.Write(make([]byte, 4096))
	}
	if !errors.Is(err, unix.ENOSPC) {
		t.Fatal(err)
	}
	mustClose(t, file)
}

// A disk that is too small, or that others fill meanwhile, is told, keeps what is in use, and has all its room again.
func TestFullDiskLeavesNothingBehind(t *testing.T) {
	disk := smallDisk(t)
	dir := filepath.Join(disk, "store")
	s := open(t, dir, store.Options{})
	image := small()
	p := prepare(t, s, written(t, "board.img", image), source.Options{})
	dense := func(mebibytes int) []byte { return bytes.Repeat(board(60)[:1<<20], mebibytes) } // no hole
	for what, name := range map[string]string{"known": written(t, "large.img", dense(16)), "unknown": packed(t, dense(16))} {
		if _, err := s.Prepare(t.Context(), name, source.Options{}, nil); !errors.Is(err, store.ErrNoRoom) || (what == "known" &&
			!strings.Contains(err.Error(), "bytes, and the disk has room for ")) {
			t.Errorf("an image of %s length: %v", what, err)
		}
		expectOnly(t, dir, image)
	}
	filler := filepath.Join(disk, "filler")
	s.Before(func(call string) error {
		if call == "write image.raw" {
			fill(t, filler)
		}
		return nil
	})
	if _, err := s.Prepare(t.Context(), packed(t, dense(5)), source.Options{}, nil); !errors.Is(err, store.ErrNoRoom) {
		t.Errorf("a disk that others fill: %v", err)
	}
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	s.Before(nil)
	expectOnly(t, dir, image)
	mustClose(t, p)
	mustClose(t, prepare(t, s, packed(t, dense(11)), source.Options{})) // for which the other one goes
	expectOnly(t, dir, dense(11))
}
