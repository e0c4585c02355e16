//go:build device

package e2e_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"cardwright/internal/cardlab"
)

// TestMemoryStaysBounded writes a real image, packed in several ways, to four cards at once. A window of 64 MiB, which the
// packed file demands, is allowed once on top.
func TestMemoryStaysBounded(t *testing.T) {
	const (
		bound      = 200 * mib
		longWindow = 64 * mib // zstd --long=26
	)
	image := mbrImage()
	dir := t.TempDir()
	for _, c := range []struct {
		name, path string
		bound      int64
	}{
		{"xz as published", image.path(t), bound},
		{"gzip", repacked(t, image, dir, "gz", "gzip", "-1"), bound},
		{"zstd", repacked(t, image, dir, "zst", "zstd", "-q", "-3", "-T2"), bound},
		{"zstd with a long window", repacked(t, image, dir, "long.zst", "zstd", "-q", "-3", "--long=26"), bound + longWindow},
	} {
		t.Run(c.name, func(t *testing.T) {
			var cards []*seated
			for seed := range uint64(4) {
				cards = append(cards, seat(t, cardlab.Traits{SizeBytes: 400 * mib, Seed: 50 + seed}))
			}
			r := run(t, 0, flashTo(c.path, cards)...)
			for _, card := range cards {
				card.expectHolds(t, image)
			}
			t.Logf("MEASURED %s to four cards: %.1f MiB at most, of %d MiB", c.name, float64(r.maxRSSBytes)/mib, c.bound/mib)
			if least := int64(4 * blockBytes); r.maxRSSBytes < least || r.maxRSSBytes > c.bound {
				t.Errorf("the program took %d bytes of memory, want %d to %d", r.maxRSSBytes, least, c.bound)
			}
		})
	}
}

// repacked packs the decoded image with a general tool.
func repacked(t *testing.T, image boardImage, dir, suffix, name string, args ...string) string {
	t.Helper()
	path := filepath.Join(dir, "board.img."+suffix)
	packed, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer packed.Close()
	decoded, writing, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer decoded.Close()
	unpack := exec.CommandContext(t.Context(), "xz", "-dc", image.path(t))
	pack := exec.CommandContext(t.Context(), name, append(args, "-c")...)
	unpack.Stdout, pack.Stdin, pack.Stdout = writing, decoded, packed
	if err := unpack.Start(); err != nil {
		t.Fatal(err)
	}
	_ = writing.Close() // our own end only: the child holds its own
	if err := pack.Run(); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	if err := unpack.Wait(); err != nil {
		t.Fatalf("xz: %v", err)
	}
	return path
}
