//go:build device

package main

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// A disk that becomes full while a card is written, or was full before, costs the card nothing but its record.
func TestFullDiskUnderTheLogbookCostsTheCardNothing(t *testing.T) {
	folder := t.TempDir()
	if err := unix.Mount("none", folder, "tmpfs", 0, "size=1m"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(folder, 0); err != nil {
			t.Error(err)
		}
	})
	flashLosing(t, filepath.Join(folder, "logbook.db"), func(string) error {
		err := os.WriteFile(filepath.Join(folder, "filler"), make([]byte, 2<<20), 0o600)
		if !errors.Is(err, unix.ENOSPC) {
			return errors.Join(errors.New("the disk is not full"), err)
		}
		return nil
	})
	imagePath, cardPath := filepath.Join(t.TempDir(), "node.img"), filepath.Join(t.TempDir(), "card.img")
	image := make([]byte, 2<<20)
	copy(image[446:], []byte{0, 0, 2, 0, 0x83, 0, 3, 0, 8, 0, 0, 0, 8})
	copy(image[510:], []byte{0x55, 0xaa})
	if err := errors.Join(os.WriteFile(imagePath, image, 0o600), os.WriteFile(cardPath, make([]byte, 8<<20), 0o600)); err != nil {
		t.Fatal(err)
	}
	var stdout, stderr bytes.Buffer
	args := []string{"flash", imagePath, "--to", cardPath, "--yes", "--logbook", filepath.Join(folder, "logbook.db")}
	code := run(t.Context(), args, strings.NewReader(""), &stdout, &stderr)
	if code != 0 || !strings.Contains(stdout.String(), "INTACT") || !strings.Contains(stdout.String(), "could not be recorded") {
		t.Errorf("exit code %d\n%s%s", code, &stdout, &stderr)
	}
}
