package partition

import (
	"encoding/binary"
	"errors"
	"hash"
	"io"
)

// maxReadBytes bounds one read, whatever a field asks for. The largest legitimate one is a GPT entry array.
const maxReadBytes = 1 << 20

// A sectorReader reads whole sectors inside the medium only, since a card opened for direct I/O takes nothing else.
type sectorReader struct {
	medium      io.ReaderAt
	sizeBytes   uint64 // whole sectors only: a rest at the end cannot be read directly
	sectorBytes uint64
	alignBytes  uint64    // what reads start at, and are long, a multiple of; at the medium's end they may be shorter
	digest      hash.Hash // where it is set, it takes in every range that is asked for, and what was there
}

func newSectorReader(medium io.ReaderAt, sizeBytes, sectorBytes int64) (*sectorReader, error) {
	if sizeBytes < 0 || sectorBytes < 512 || sectorBytes > 4096 || sectorBytes&(sectorBytes-1) != 0 {
		return nil, ErrSectorSize
	}
	size, sector := uint64(sizeBytes), uint64(sectorBytes)
	return &sectorReader{medium: medium, sizeBytes: size - size%sector, sectorBytes: sector, alignBytes: sector}, nil
}

// newSparingReader reads a medium whose table is known, and no more of it than so many bytes: what is asked for beyond them fails
// with errReadEnough. The table may count in other sectors than the medium, so its reads start at whole 4096 bytes: those are
// whole sectors of either.
func newSparingReader(medium io.ReaderAt, table *Table, mostBytes int64) (*sectorReader, error) {
	r, err := newSectorReader(&sparing{medium, mostBytes}, table.SizeBytes, table.SectorBytes)
	if err != nil {
		return nil, err
	}
	r.alignBytes = 4096
	return r, nil
}

// errReadEnough is the cause of a read that was not made, as too much was read already.
var errReadEnough = errors.New("too much would have to be read")

// sparing lets a medium be read no further than so many bytes in all, whatever its content leads to.
type sparing struct {
	medium    io.ReaderAt
	leftBytes int64
}

func (s *sparing) ReadAt(b []byte, offsetBytes int64) (int, error) {
	if int64(len(b)) > s.leftBytes {
		return 0, errReadEnough
	}
	s.leftBytes -= int64(len(b))
	return s.medium.ReadAt(b, offsetBytes)
}

// bytes gives lengthBytes bytes from offsetBytes, or nil where that range is not wholly inside the medium. So a caller that
// follows a field out of the medium sees nothing there, and an error always is a failed read.
func (r *sectorReader) bytes(offsetBytes, lengthBytes uint64) ([]byte, error) {
	b, err := r.read(offsetBytes, lengthBytes)
	if r.digest != nil && err == nil {
		var place [24]byte
		binary.LittleEndian.PutUint64(place[0:], offsetBytes)
		binary.LittleEndian.PutUint64(place[8:], lengthBytes)
		binary.LittleEndian.PutUint64(place[16:], uint64(len(b))) // 0: not on the medium
		r.digest.Write(place[:])
		r.digest.Write(b)
	}
	return b, err
}

func (r *sectorReader) read(offsetBytes, lengthBytes uint64) ([]byte, error) {
	if lengthBytes == 0 || lengthBytes > maxReadBytes || offsetBytes > r.sizeBytes || lengthBytes > r.sizeBytes-offsetBytes {
		return nil, nil
	}
	start := offsetBytes - offsetBytes%r.alignBytes
	end := offsetBytes + lengthBytes
	if rest := end % r.alignBytes; rest != 0 {
		end = min(end+r.alignBytes-rest, r.sizeBytes)
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

// each gives a range of the volume piece by piece; false where it does not lie wholly in volume and medium.
func (v *volume) each(offsetBytes, lengthBytes uint64, visit func(piece []byte)) (whole bool, err error) {
	for lengthBytes > 0 {
		step := min(lengthBytes, maxReadBytes)
		piece, err := v.bytes(offsetBytes, step)
		if piece == nil {
			return false, err
		}
		visit(piece)
		offsetBytes, lengthBytes = offsetBytes+step, lengthBytes-step
	}
	return true, nil
}
