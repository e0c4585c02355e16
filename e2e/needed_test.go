//go:build device

package e2e_test

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"cardwright/internal/cardlab"
)

// TestCardThatHoldsWhatIsNeededIsRefused puts the image, the logbook and the program onto the card, or makes one of them the
// target itself, and expects that each is still whole.
func TestCardThatHoldsWhatIsNeededIsRefused(t *testing.T) {
	image := gptImage()
	card := seat(t, cardlab.Traits{SizeBytes: 192 * mib, Seed: 35})
	tool(t, "mkfs.ext4", "-q", card.path)
	point := t.TempDir()
	tool(t, "mount", "-t", "ext4", card.path, point)
	t.Cleanup(func() {
		if err := unix.Unmount(point, 0); err != nil {
			t.Errorf("unmount %s: %v", point, err)
		}
	})
	kept := map[string]string{"image.img.xz": image.path(t), "cardwright": programPath}
	for name, from := range kept {
		tool(t, "cp", from, filepath.Join(point, name))
	}
	on := func(name string) string { return filepath.Join(point, name) }
	elsewhere := filepath.Join(t.TempDir(), "logbook.db")
	for name, c := range map[string]struct {
		program, image, target, logbook string
		says                            string
	}{
		"the image on the card":         {programPath, on("image.img.xz"), card.path, elsewhere, "mounted at " + point},
		"the logbook on the card":       {programPath, image.path(t), card.path, on("logbook.db"), "mounted at " + point},
		"the program on the card":       {on("cardwright"), image.path(t), card.path, elsewhere, "mounted at " + point},
		"the image as target":           {programPath, on("image.img.xz"), on("image.img.xz"), elsewhere, "keep that elsewhere"},
		"the running program as target": {on("cardwright"), image.path(t), on("cardwright"), elsewhere, "a program that is running"},
	} {
		t.Run(name, func(t *testing.T) {
			args := []string{"flash", c.image, "--to", c.target, "--logbook", c.logbook, "--fixed-ok", "--yes"}
			said, err := exec.CommandContext(t.Context(), c.program, args...).CombinedOutput()
			ended, refused := errors.AsType[*exec.ExitError](err)
			if !refused || ended.ExitCode() != 3 || !strings.Contains(string(said), c.says) {
				t.Errorf("%v, and it says\n%s", err, said)
			}
			for name, from := range kept {
				tool(t, "cmp", from, on(name))
			}
			if _, err := os.Stat(on("logbook.db")); err == nil {
				t.Error("a refused run made a logbook on the card")
			}
		})
	}
}
