package main

import (
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"cardwright/flash/source"
	"cardwright/internal/job"
	"cardwright/partition"
)

// A freeFlag says whether free space of the image is left out, and holds it once look found it.
type freeFlag struct {
	skip bool
	free []partition.Range
}

func (f *freeFlag) register(cmd *cobra.Command, what string) {
	cmd.Flags().BoolVar(&f.skip, "skip-free", false, what)
}

// look finds the free space of an opened image. For that the image must lie unpacked in a file, as it is read here and there;
// one that does not is wrong usage.
func (f *freeFlag) look(p *program, name string, image openImage) error {
	if !f.skip {
		return nil
	}
	if image.Facts().Format != source.FormatRaw || !isLocal(name) || !isOnDisk(name) {
		return usagef("--skip-free needs an image that lies unpacked in a file: prepare %s first", redacted(name))
	}
	file, err := os.Open(name)
	if err != nil {
		return fmt.Errorf("the image %s: %w", name, err)
	}
	defer file.Close() // it was only read
	imageBytes, _ := image.DeclaredBytes()
	table, err := partition.Inspect(file, imageBytes, 512) // as every image file is read
	if err != nil {
		return fmt.Errorf("the image %s: %w", name, err)
	}
	if f.free, err = partition.FreeSpace(file, table, imageBytes); err != nil {
		return fmt.Errorf("the image %s: %w", name, err)
	}
	if job.FreeBytes(f.free, image) == 0 {
		p.complain("nothing is left out: the image has no free space that can be relied on")
	}
	return nil
}

// leavingOut takes what is left out off what a step is about.
func (p *progress) leavingOut(bytes int64) *progress {
	for _, t := range p.tracks {
		t.imageBytes = max(0, t.imageBytes-bytes)
	}
	return p
}
