//go:build device

package e2e_test

import (
	"crypto/sha256"
	"encoding/hex"
	"io"
	"os"
	"path/filepath"
	"testing"
)

// nobody is a user without rights, by the number that Linux keeps for those it cannot name.
const nobody = 65534

// TestRegularFileNeedsNoRoot writes to a file as another user, from standard input.
func TestRegularFileNeedsNoRoot(t *testing.T) {
	image := gptImage()
	dir, err := os.MkdirTemp("", "e2e")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) }) // what is left of it harms nobody
	target := filepath.Join(dir, "practice.img")
	if err := os.WriteFile(target, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(target, 192*mib); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{dir, target} {
		if err := os.Chown(path, nobody, nobody); err != nil {
			t.Fatal(err)
		}
	}
	source, err := os.Open(image.path(t))
	if err != nil {
		t.Fatal(err)
	}
	defer source.Close()
	r := runCommand(t, 0, command{
		args:  []string{"flash", "-", "--to", target, "--yes", "--json"},
		stdin: source, asUser: nobody, logbook: filepath.Join(dir, "logbook.db"),
	})
	document := decode[flashDocument](t, r.stdout)
	told := onlyCard(t, document)
	expectIntact(t, told, image)
	if told.Proof.FromMedium || told.RunID == 0 {
		t.Errorf("the cache of a file cannot be dropped for certain, and the run is recorded: %+v", told)
	}
	image.file = "-"
	expectImage(t, document.Image, image, "absent")
	if got := fileDigest(t, target, image.imageBytes); got != image.imageSHA256 {
		t.Errorf("the file holds SHA-256 %s, want %s", got, image.imageSHA256)
	}
	if info, err := os.Stat(target); err != nil || info.Size() != 192*mib {
		t.Errorf("the file's size has changed: %v, %v", info, err)
	}
}

// fileDigest is the SHA-256 of a file's first bytes.
func fileDigest(t *testing.T, path string, lengthBytes int64) string {
	t.Helper()
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	sum := sha256.New()
	if _, err := io.CopyN(sum, file, lengthBytes); err != nil {
		t.Fatal(err)
	}
	return hex.EncodeToString(sum.Sum(nil))
}
