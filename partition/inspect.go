package partition

import (
	"errors"
	"io"
)

// Inspect reads the partition table and the file systems of a medium of sizeBytes bytes whose sectors are sectorBytes
// long (512 or 4096; an image file is given 512). Every read lies within the medium and is a whole number of sectors at a
// sector's start, so that it suits a card opened for direct I/O. An error is a failed read, never odd content.
func Inspect(medium io.ReaderAt, sizeBytes, sectorBytes int64) (*Table, error) {
	return nil, errors.New("not written yet")
}
