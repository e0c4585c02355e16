package flash

import "io"

const (
	// BlockBytes is the unit of writing, of digests and of damage: 4 MiB.
	BlockBytes = 4 << 20
	// ClearBytes is how much is zeroed at each end of a card before an image is written: 1 MiB.
	ClearBytes = 1 << 20
	// LastBytes is the part of the head that is written last of all, boot sector and partition table: 4 KiB.
	LastBytes = 4 << 10
	// AlignBytes is the alignment of every buffer that is handed to a Card. It suits direct I/O on any sector size in use.
	AlignBytes = 4 << 10
)

// A Card is an opened, exclusively held target. Only positional reads and writes touch it.
//
// Offsets and lengths are whole multiples of SectorBytes, and buffers start at a multiple of AlignBytes in memory.
// ReadAt and WriteAt either move all bytes or return an error. An error that wraps ErrGone says that the card no longer
// answers at all. One goroutine at a time uses a Card.
type Card interface {
	io.ReaderAt
	io.WriterAt
	// Flush returns once everything written so far has reached the medium.
	Flush() error
	// DropCache makes the reads that follow come from the medium. An error means that they may come from a cache.
	DropCache() error
	// SizeBytes is the card's capacity as it states it.
	SizeBytes() int64
	// SectorBytes is the smallest unit of reading and writing; 1 for a regular file.
	SectorBytes() int
	// Direct tells whether writes bypass the operating system's cache.
	Direct() bool
}

// A Discarder is a Card that can be told that a range is not needed any more; what is read there afterwards is anything.
// The error wraps ErrNoDiscard where the card takes no discards.
type Discarder interface {
	Discard(offsetBytes, lengthBytes int64) error
}
