package project

import (
	"fmt"
	"io"
	"strings"
	"time"

	"cardwright/internal/fat"
	"cardwright/partition"
)

// The types of a partition that firmware boots from by their word: EFI's in a GPT (UEFI specification 2.11, table 5.7) and in an MBR
// (5.2.2).
const (
	typeEFI    = "C12A7328-F81F-11D2-BA4B-00A0C93EC93B"
	typeEFIMBR = "ef"
)

// A Place is a part of a medium.
type Place struct {
	Partition                int // its number in the table
	OffsetBytes, LengthBytes int64
}

// BootPartition gives the partition of an image that files are put into: the first with a FAT file system that is marked as the one
// to boot from (of the type EFI, or active), else the first with a FAT file system. Boards that know of no marks take the first; a
// mark tells it where another FAT partition, for data, comes before. The error wraps ErrNoBootPartition.
func BootPartition(image *partition.Table) (Place, error) {
	var chosen *partition.Partition
	for i := range image.Partitions {
		p := &image.Partitions[i]
		if p.FileSystem == nil || !strings.HasPrefix(p.FileSystem.Kind, "fat") {
			continue
		}
		marked := p.Boot || p.Type == typeEFI || p.Type == typeEFIMBR
		if marked || chosen == nil {
			chosen = p
		}
		if marked {
			break
		}
	}
	if chosen == nil {
		return Place{}, ErrNoBootPartition
	}
	sectors := uint64(image.SizeBytes / image.SectorBytes)
	if chosen.StartLBA == 0 || chosen.StartLBA > sectors || chosen.Sectors > sectors-chosen.StartLBA {
		return Place{}, fmt.Errorf("%w: partition %d does not lie in the image as a whole", ErrNoBootPartition, chosen.Number)
	}
	return Place{chosen.Number, int64(chosen.StartLBA) * image.SectorBytes, int64(chosen.Sectors) * image.SectorBytes}, nil
}

// A Change is what putting files onto a medium changes: whole sectors of 512 bytes, in order, all of them in one partition.
type Change struct {
	Place
	Ranges []fat.Range
}

// Compose puts files into the boot partition of an image, in memory, and gives the sectors that change. The view is read like the
// image; the table is the image's own. The error wraps ErrNotComposed, and what the view's reads gave.
func Compose(view io.ReaderAt, image *partition.Table, files []File, at time.Time) (*Change, error) {
	place, err := BootPartition(image)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrNotComposed, err)
	}
	ranges, err := changes(view, place, files, at)
	if err != nil {
		return nil, fmt.Errorf("%w: partition %d: %w", ErrNotComposed, place.Partition, err)
	}
	for _, r := range ranges {
		if !place.holds(r) {
			return nil, fmt.Errorf("%w: %d bytes at %d would change outside of partition %d", ErrNotComposed, len(r.Data), r.OffsetBytes,
				place.Partition)
		}
	}
	return &Change{place, ranges}, nil
}

func changes(view io.ReaderAt, place Place, files []File, at time.Time) ([]fat.Range, error) {
	volume, err := fat.Open(view, place.OffsetBytes, place.LengthBytes)
	if err != nil {
		return nil, err
	}
	for _, file := range files {
		if err := volume.Put(file.Path, file.Content, at); err != nil {
			return nil, err
		}
	}
	return volume.Finish()
}

func (p Place) holds(r fat.Range) bool {
	return r.OffsetBytes >= p.OffsetBytes && r.OffsetBytes+int64(len(r.Data)) <= p.OffsetBytes+p.LengthBytes
}
