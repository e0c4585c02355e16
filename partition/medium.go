package partition

import (
	"errors"
	"io"
)

// maxReadBytes bounds one read, whatever a field asks for. The largest legitimate one is a GPT entry array.
const maxReadBytes = 1 << 20

// A sectorReader reads whole sectors inside the medium only, since a card opened for direct I/O takes nothing else.
type sectorReader struct {
	medium      io.ReaderAt
	sizeBytes   uint64 // whole sectors only: a rest at the end cannot be read directly
	sectorBytes uint64
}

func newSectorReader(medium io.ReaderAt, sizeBytes, sectorBytes int64) (*sectorReader, error) {
	if sizeBytes < 0 || sectorBytes < 512 || sectorBytes > 4096 || sectorBytes&(sectorBytes-1) != 0 {
		return nil, ErrSectorSize
	}
	size, sector := uint64(sizeBytes), uint64(sectorBytes)
	return &sectorReader{medium: medium, sizeBytes: size - size%sector, sectorBytes: sector}, nil
}

// bytes gives lengthBytes bytes from offsetBytes, or nil where that range is not wholly inside the medium. So a caller that
// follows a field out of the medium sees nothing there, and an error always is a failed read.
func (r *sectorReader) bytes(offsetBytes, lengthBytes uint64) ([]byte, error) {
	if lengthBytes == 0 || lengthBytes > maxReadBytes || offsetBytes > r.sizeBytes || lengthBytes > r.sizeBytes-offsetBytes {
		return nil, nil
	}
	start := offsetBytes - offsetBytes%r.sectorBytes
	end := offsetBytes + lengthBytes
	if rest := end % r.sectorBytes; rest != 0 {
		end += r.sectorBytes - rest
	}
	buffer := make([]byte, end-start)
	n, err := r.medium.ReadAt(buffer, int64(start))
	if n < len(buffer) {
		if err == nil || errors.Is(err, io.EOF) {
			err = io.ErrUnexpectedEOF
		}
		return nil, &ReadError{OffsetBytes: int64(start), LengthBytes: int64(len(buffer)), Err: err}
	}
	return buffer[offsetBytes-start:][:lengthBytes:lengthBytes], nil
}

// whole gives the medium as one volume.
func (r *sectorReader) whole() *volume {
	return &volume{medium: r, lengthBytes: r.sizeBytes}
}

// A volume is a range of the medium that may hold a file system: a partition, or all of it. It may reach beyond the medium;
// what lies there reads as absent.
type volume struct {
	medium      *sectorReader
	startBytes  uint64
	lengthBytes uint64
}

// bytes gives lengthBytes bytes from offsetBytes of the volume, or nil where they are not wholly in volume and medium.
func (v *volume) bytes(offsetBytes, lengthBytes uint64) ([]byte, error) {
	if offsetBytes > v.lengthBytes || lengthBytes > v.lengthBytes-offsetBytes || offsetBytes > ^uint64(0)-v.startBytes {
		return nil, nil
	}
	return v.medium.bytes(v.startBytes+offsetBytes, lengthBytes)
}
