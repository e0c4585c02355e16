package main

import (
	"fmt"
	"os"
	"slices"

	"github.com/spf13/cobra"

	"cardwright/flash/source"
	"cardwright/internal/job"
	"cardwright/internal/store"
	"cardwright/partition"
)

// A freeFlag says whether free space of the image is left out, and holds it once findFree found it.
type freeFlag struct {
	skip      bool
	free      []partition.Range
	freeBytes int64 // of whole blocks that are left out
}

func (f *freeFlag) register(cmd *cobra.Command, what string) {
	cmd.Flags().BoolVar(&f.skip, "skip-free", false, what)
}

// findFree finds the free space of an image that was opened. For that the image is read here and there: where it is prepared, or
// where it lies unpacked in a file. Any other is wrong usage. What touches a place that is written anyway is not left out.
func (f *freeFlag) findFree(p *program, name string, image source.Facts, prepared *store.Prepared,
	written ...partition.Range,
) (err error) {
	switch {
	case !f.skip:
		return nil
	case prepared != nil:
		f.free, err = partition.FreeSpace(prepared, prepared.Table(), image.ImageBytes)
	case image.Format == source.FormatRaw && isLocal(name) && isOnDisk(name):
		f.free, err = freeOfFile(name, image.ImageBytes)
	default:
		return usagef("--skip-free needs an image that lies unpacked in a file, or that is prepared%s", howToPrepare(name))
	}
	if err != nil {
		return ofImage(name, err)
	}
	f.free = slices.DeleteFunc(f.free, func(r partition.Range) bool {
		return slices.ContainsFunc(written, func(w partition.Range) bool {
			return r.OffsetBytes < w.EndBytes() && w.OffsetBytes < r.EndBytes()
		})
	})
	if f.freeBytes = job.FreeBytes(f.free, image.ImageBytes); f.freeBytes == 0 {
		p.complain("nothing is left out: the image has no free space that can be relied on")
	}
	return nil
}

// howToPrepare says how an image is prepared that can be read again.
func howToPrepare(name string) string {
	if name == standardInput {
		return ""
	}
	return fmt.Sprintf(": \"cardwright prepare %s\" first", redacted(name))
}

// freeOfFile finds the free space of an image that lies unpacked in a file.
func freeOfFile(name string, imageBytes int64) ([]partition.Range, error) {
	file, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer file.Close() // it was only read
	table, err := partition.Inspect(file, imageBytes, partition.ImageSectorBytes)
	if err != nil {
		return nil, err
	}
	return partition.FreeSpace(file, table, imageBytes)
}
