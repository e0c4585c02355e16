//go:build device

package e2e_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"cardwright/internal/cardlab"
)

// TestMeasuredRateIsTheCardsRate holds what the program measures against the rate that the emulated card keeps. Other work
// on the machine can make the emulated card slower, never faster: one of a few tries must meet its rate, and none may
// exceed it.
func TestMeasuredRateIsTheCardsRate(t *testing.T) {
	const (
		toleratedPercent = 2.0
		tries            = 10
	)
	for _, c := range []struct{ megabytesPerSecond, imageMiB int64 }{{5, 32}, {20, 96}, {80, 320}} {
		t.Run(fmt.Sprintf("%d MB/s", c.megabytesPerSecond), func(t *testing.T) {
			image := randomImage(t, c.imageMiB*mib)
			for range tries {
				off := offPercent(t, image, c.megabytesPerSecond)
				if off > toleratedPercent {
					t.Fatalf("the measured rate is %.2f %% above the card's", off)
				}
				if off >= -toleratedPercent {
					return
				}
			}
			t.Errorf("the measured rate was off by more than %.0f %% in all of %d tries", toleratedPercent, tries)
		})
	}
}

// offPercent flashes an image to a card of a known rate, and gives by how much the measured rate is off.
func offPercent(t *testing.T, image string, megabytesPerSecond int64) float64 {
	t.Helper()
	rate := megabytesPerSecond * 1_000_000
	card := seat(t, cardlab.Traits{SizeBytes: 400 * mib, Seed: 60, WriteBytesPerSecond: rate})
	args := append(flashTo(image, []*seated{card}), "--raw")
	told := onlyCard(t, decode[flashDocument](t, run(t, 0, args...).stdout))
	off := 100 * (told.Write.Sustained/float64(rate) - 1)
	t.Logf("MEASURED %2d MB/s: %.3f MB/s over %.2f s, off by %+.2f %%",
		megabytesPerSecond, told.Write.Sustained/1e6, told.Write.Busy, off)
	return off
}

// randomImage makes an image that no decoder knows, the same each time.
func randomImage(t *testing.T, sizeBytes int64) string {
	t.Helper()
	content := make([]byte, sizeBytes)
	_, _ = rand.NewChaCha8([32]byte{'r', 'a', 't', 'e'}).Read(content) // documented never to fail
	path := filepath.Join(t.TempDir(), "random.img")
	if err := os.WriteFile(path, content, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}
