package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"os"
	"path/filepath"
	"testing"

	"cardwright/flash/source"
	"cardwright/internal/store"
)

// An interrupt leaves nothing of an image that was being prepared, be it for its own sake or on its way to a card, also where
// the source has fallen silent.
func TestInterruptLeavesNothingPrepared(t *testing.T) {
	image := bytes.Repeat([]byte("board"), 6<<20)[:24<<20]
	clear(image[:512])
	binary.LittleEndian.PutUint16(image[510:], 0xaa55)
	copy(image[446:], []byte{0, 0, 2, 0, 0x83, 0, 3, 0, 8, 0, 0, 0, 8})
	cardPath := filepath.Join(t.TempDir(), "card.img")
	if err := os.WriteFile(cardPath, make([]byte, 32<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, args := range map[string][]string{
		"prepare": {"prepare", "-"}, "flash --keep": {"flash", "-", "--keep", "--to", cardPath, "--yes"},
	} {
		dir := filepath.Join(t.TempDir(), "store")
		args = append(args, "--store", dir, "--logbook", filepath.Join(t.TempDir(), "logbook.db"))
		ctx, cancel := context.WithCancelCause(t.Context())
		held := 0
		silent := &silentReader{bytes.NewReader(image), func() {
			found, _ := filepath.Glob(filepath.Join(dir, "*", "image.raw"))
			held = len(found)
			cancel(interruption{})
		}, make(chan struct{})}
		var stdout, stderr bytes.Buffer
		if code := run(ctx, args, silent, &stdout, &stderr); code != 130 {
			t.Errorf("%s: exit code %d\n%s", name, code, &stderr)
		}
		close(silent.release)
		cancel(nil)
		if held != 1 {
			t.Errorf("%s: %d images were in the store when it was interrupted", name, held)
		}
		left, err := os.ReadDir(dir)
		if err != nil || len(left) != 1 || left[0].Name() != "lock" {
			t.Errorf("%s: %v is left in the store, %v", name, left, err)
		}
	}
}

// An image that another program reads is not removed: that is a refusal.
func TestPreparedImageInUseIsNotRemoved(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "store")
	s, err := store.Open(t.Context(), dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	used, err := s.Prepare(t.Context(), filepath.Join(boardFolder, "small-board.img.xz"), source.Options{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	remove := []string{"prepare", "--remove", used.Key()[:8], "--store", dir}
	var stdout, stderr bytes.Buffer
	if code := run(t.Context(), remove, nil, &stdout, &stderr); code != 3 || !bytes.Contains(stderr.Bytes(), []byte("is in use")) {
		t.Errorf("exit code %d\n%s", code, &stderr)
	}
	stdout.Reset()
	if code := run(t.Context(), []string{"prepare", "--list", "--store", dir}, nil, &stdout, &stderr); code != 0 ||
		!bytes.Contains(stdout.Bytes(), []byte("a program reads it now")) {
		t.Errorf("exit code %d\n%s", code, &stdout)
	}
	if err := used.Close(); err != nil {
		t.Fatal(err)
	}
	if code := run(t.Context(), remove, nil, &stdout, &stderr); code != 0 {
		t.Errorf("exit code %d when nobody reads it\n%s", code, &stderr)
	}
}
