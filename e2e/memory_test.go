//go:build device

package e2e_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"cardwright/internal/cardlab"
)

// TestMemoryStaysBounded writes a real image, packed in several ways, to one card or to four at once. A window of 64 MiB,
// which the packed file demands, is allowed once on top.
func TestMemoryStaysBounded(t *testing.T) {
	const (
		bound      = 200 * mib
		boundOfOne = 150 * mib
		longWindow = 64 * mib // zstd --long=26
	)
	image := mbrImage()
	dir := t.TempDir()
	gzip, zstd := repacked(t, image, dir, "gz", "gzip", "-1"), repacked(t, image, dir, "zst", "zstd", "-q", "-3", "-T2")
	for _, c := range []struct {
		name, path string
		cards      uint64
		bound      int64
		args       []string
	}{
		{"xz as published", image.path(t), 4, bound, nil},
		{"xz within 160 MiB", image.path(t), 4, 160 * mib, []string{"--memory", "160MiB"}},
		{"xz within 128 MiB", image.path(t), 1, 128 * mib, []string{"--memory", "128MiB"}},
		{"xz within 96 MiB", image.path(t), 1, 96 * mib, []string{"--memory", "96MiB"}},
		{"gzip", gzip, 4, bound, nil},
		{"gzip", gzip, 1, boundOfOne, nil},
		{"zstd", zstd, 4, bound, nil},
		{"zstd", zstd, 1, boundOfOne, nil},
		{"zstd with a long window", repacked(t, image, dir, "long.zst", "zstd", "-q", "-3", "--long=26"), 4, bound + longWindow, nil},
	} {
		t.Run(fmt.Sprint(c.name, ", cards: ", c.cards), func(t *testing.T) {
			var cards []*seated
			for seed := range c.cards {
				cards = append(cards, seat(t, cardlab.Traits{SizeBytes: 400 * mib, Seed: 50 + seed}))
			}
			r := run(t, 0, append(flashTo(c.path, cards), c.args...)...)
			for _, card := range cards {
				card.expectHolds(t, image)
			}
			t.Logf("MEASURED %s, cards: %d: %.1f MiB at most, of %d MiB", c.name, c.cards, float64(r.maxRSSBytes)/mib, c.bound/mib)
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
