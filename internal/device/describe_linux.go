package device

import (
	"bytes"
	"io"

	"cardwright/flash"
	"cardwright/partition"
)

// Description tells what was opened, and what it held then.
func (c *Card) Description() Description { return c.description }

// describe fills in the description. That contents cannot be read is part of it, not a failure: a card may be opened
// because it is broken.
func (c *Card) describe() {
	mounted, twins := c.description.MountedAt, c.description.Twins
	sectorBytes := int64(c.sectorBytes)
	if c.disk != nil {
		c.description = describeDisk(c.disk)
	} else {
		c.description = Description{Kind: KindFile, SizeBytes: c.sizeBytes, SectorBytes: sectorBytes}
		mounted = []string{}
		sectorBytes = partition.ImageSectorBytes
	}
	c.description.Node, c.description.MountedAt, c.description.Twins = c.node, mounted, twins
	table, err := partition.Inspect(alignedReader{c}, c.sizeBytes, sectorBytes)
	if err != nil {
		c.description.Contents, c.description.Unreadable = unreadable, err.Error()
		return
	}
	c.description.Table, c.description.Contents = table, Contents(table)
	if c.description.Contents == unknownContents && c.startsBlank() {
		c.description.Contents = noContents
	}
}

// startsBlank tells whether the first 1 MiB could be read and holds zeros alone, or ones, as a card does that was erased.
func (c *Card) startsBlank() bool {
	start := flash.AlignedBuffer(int(min(1<<20, c.sizeBytes)))
	if _, err := c.ReadAt(start, 0); err != nil || len(start) == 0 {
		return false
	}
	return (start[0] == 0x00 || start[0] == 0xFF) && bytes.Count(start, start[:1]) == len(start)
}

// alignedReader lends each read a buffer that suits direct I/O.
type alignedReader struct{ medium io.ReaderAt }

func (r alignedReader) ReadAt(p []byte, offsetBytes int64) (int, error) {
	buffer := flash.AlignedBuffer(len(p))
	n, err := r.medium.ReadAt(buffer, offsetBytes)
	return copy(p, buffer[:n]), err
}
