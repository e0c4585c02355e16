//go:build device

package e2e_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"cardwright/internal/cardlab"
)

// TestMeasuredRateIsTheCardsRate holds what the program measures against the rate that the emulated card keeps.
func TestMeasuredRateIsTheCardsRate(t *testing.T) {
	const toleratedPercent = 2.0
	for _, c := range []struct{ megabytesPerSecond, imageMiB int64 }{{5, 32}, {20, 96}, {80, 320}} {
		t.Run(fmt.Sprintf("%d MB/s", c.megabytesPerSecond), func(t *testing.T) {
			rate := float64(c.megabytesPerSecond * 1_000_000)
			card := seat(t, cardlab.Traits{SizeBytes: 400 * mib, Seed: 60, WriteBytesPerSecond: int64(rate)})
			args := append(flashTo(randomImage(t, c.imageMiB*mib), []*seated{card}), "--raw")
			told := onlyCard(t, decode[flashDocument](t, run(t, 0, args...).stdout))
			off := 100 * (told.Write.Sustained/rate - 1)
			t.Logf("MEASURED %2d MB/s: %.3f MB/s over %.2f s, off by %+.2f %%",
				c.megabytesPerSecond, told.Write.Sustained/1e6, told.Write.Busy, off)
			if math.Abs(off) > toleratedPercent {
				t.Errorf("the measured rate is off by %.2f %%", off)
			}
		})
	}
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
