//go:build device

package e2e_test

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"cardwright/internal/cardlab"
)

// TestRefusalsWriteNothing asks for what may not be done. One refused target refuses the other one too.
func TestRefusalsWriteNothing(t *testing.T) {
	image := gptImage()
	path := image.path(t)
	ownCopy := copied(t, path) // what goes wrong here must not cost the image
	good := seat(t, cardlab.Traits{SizeBytes: 192 * mib, Seed: 30})
	small := seat(t, cardlab.Traits{SizeBytes: 128 * mib, Seed: 31})
	byLink, byNode, twice := filepath.Join(t.TempDir(), "by-id"), secondNode(t, good.path), copied(t, path)
	if err := errors.Join(os.Symlink(good.path, byLink), os.Link(twice, twice+".too")); err != nil {
		t.Fatal(err)
	}
	flashTwo := func(first, second string) []string {
		return []string{"flash", path, "--to", first, "--to", second, "--fixed-ok", "--yes"}
	}
	situations := map[string]struct {
		args []string
		says string
	}{
		"a fixed disk":             {[]string{"flash", path, "--to", good.path, "--yes"}, "fixed disk"},
		"a card too small":         {[]string{"flash", path, "--to", good.path, "--to", small.path, "--fixed-ok", "--yes"}, "larger than the card"},
		"the same card twice":      {[]string{"flash", path, "--to", good.path, "--to", good.path, "--fixed-ok", "--yes"}, "same card"},
		"nobody to ask":            {[]string{"flash", path, "--to", good.path, "--fixed-ok"}, "no terminal"},
		"a target that is not":     {[]string{"flash", path, "--to", good.path, "--to", good.path + "missing", "--fixed-ok", "--yes"}, "cannot be found"},
		"a folder for a target":    {[]string{"flash", path, "--to", t.TempDir(), "--yes"}, "directory"},
		"the image as its target":  {[]string{"flash", ownCopy, "--to", ownCopy, "--yes"}, "the image"},
		"the same card by a link":  {flashTwo(good.path, byLink), "same card"},
		"the same card by a node":  {flashTwo(good.path, byNode), "same card"},
		"the same card, told last": {flashTwo(byNode, byLink), "same card"},
		"the card as its image":    {[]string{"flash", good.path, "--raw", "--to", byLink, "--fixed-ok", "--yes"}, "the image"},
		"a character device":       {flashTwo(good.path, os.DevNull), "character device"},
		"a file of two names":      {flashTwo(good.path, twice), "make a copy of it"},
	}
	t.Logf("targets: %d situations of the program", len(situations))
	for name, c := range situations {
		t.Run(name, func(t *testing.T) {
			r := run(t, 3, c.args...)
			if !strings.Contains(r.stderr, c.says) {
				t.Errorf("the reason is not told:\n%s", r.stderr)
			}
			good.expectUntouched(t)
			small.expectUntouched(t)
			if got := fileDigest(t, ownCopy, image.packedBytes); got != image.packedSHA256 {
				t.Errorf("the image file was changed: its SHA-256 is %s", got)
			}
		})
	}
}

// secondNode makes another node of a device.
func secondNode(t *testing.T, path string) string {
	t.Helper()
	var st unix.Stat_t
	if err := unix.Stat(path, &st); err != nil {
		t.Fatal(err)
	}
	second := filepath.Join(t.TempDir(), "second")
	if err := unix.Mknod(second, unix.S_IFBLK|0o600, int(st.Rdev)); err != nil {
		t.Fatal(err)
	}
	return second
}

// TestMountedCardIsRefused mounts a file system on the card, read-only, so that every write to it would be the program's.
func TestMountedCardIsRefused(t *testing.T) {
	image := gptImage()
	card := seat(t, cardlab.Traits{SizeBytes: 192 * mib, Seed: 32})
	tool(t, "mkfs.ext4", "-q", card.path)
	point := t.TempDir()
	tool(t, "mount", "-t", "ext4", "-o", "ro", card.path, point)
	mounted := true
	unmount := func() {
		if mounted {
			mounted = false
			if err := unix.Unmount(point, 0); err != nil {
				t.Errorf("unmount %s: %v", point, err)
			}
		}
	}
	t.Cleanup(unmount)
	before := card.Counts().WrittenBytes
	r := run(t, 3, flashTo(image.path(t), []*seated{card})...)
	if !strings.Contains(r.stderr, "mounted at "+point) {
		t.Errorf("the mount is not told:\n%s", r.stderr)
	}
	if after := card.Counts().WrittenBytes; after != before {
		t.Errorf("%d bytes were written to a mounted card", after-before)
	}
	unmount()
	run(t, 0, flashTo(image.path(t), []*seated{card})...)
	card.expectHolds(t, image)
}

// TestCardInUseIsRefused starts the program on a card that it is writing to already.
func TestCardInUseIsRefused(t *testing.T) {
	image := gptImage()
	card := seatSlow(t, 33)
	reached := card.reaches(blockOf(1))
	first := start(t, command{args: flashTo(image.path(t), []*seated{card})})
	select {
	case <-reached:
	case <-first.waited:
		t.Fatalf("the first run ended too early:\n%s", first.stderr.text())
	}
	r := run(t, 3, flashTo(image.path(t), []*seated{card})...)
	if !strings.Contains(r.stderr, "in use") {
		t.Errorf("the reason is not told:\n%s", r.stderr)
	}
	first.wait().expectCode(t, 0)
	card.expectHolds(t, image)
}

// TestCardsAreListedWithReasons looks for a card among the machine's disks.
func TestCardsAreListedWithReasons(t *testing.T) {
	card := seat(t, cardlab.Traits{SizeBytes: 192 * mib, Seed: 34})
	before := card.Counts().WrittenBytes
	r := run(t, 0, "cards")
	if !strings.Contains(r.stdout, card.path) || !strings.Contains(r.stdout, "fixed disk") {
		t.Errorf("%s and why it may not be written are not told:\n%s", card.path, r.stdout)
	}
	listed := decode[listDocument](t, run(t, 0, "cards", "--json").stdout)
	i := slices.IndexFunc(listed.Cards, func(l listingDoc) bool { return l.Device == card.path })
	if i < 0 {
		t.Fatalf("the document does not list %s: %+v", card.path, listed)
	}
	if l := listed.Cards[i]; l.Allowed || !l.WithFixedOK || len(l.Reasons) != 1 || l.Size != 192*mib || l.Sector != 512 ||
		l.Transport != "loop" || l.Kind != "device" || l.Removable || l.WriteProtected || l.MountedAt == nil || l.Table == nil {
		t.Errorf("the document tells %+v", l)
	}
	if after := card.Counts().WrittenBytes; after != before {
		t.Errorf("listing wrote %d bytes", after-before)
	}
}

// copied gives a copy of a file that the test may lose.
func copied(t *testing.T, path string) string {
	t.Helper()
	content, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	duplicate := filepath.Join(t.TempDir(), filepath.Base(path))
	if err := os.WriteFile(duplicate, content, 0o600); err != nil {
		t.Fatal(err)
	}
	return duplicate
}
