package source

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"slices"

	"github.com/klauspost/compress/flate"
)

// A zipBody decodes the data of one member and checks its sizes and CRC-32 at the end.
type zipBody struct {
	in        *input
	entry     *zipEntry
	data      io.Reader
	dataStart int64
	crc       uint32
	given     int64
}

// newZipBody starts decoding. stored gives, by the place where data starts, the size of stored members whose header leaves it
// out: nothing in a stream tells where those end.
func newZipBody(in *input, entry *zipEntry, stored map[int64]int64) (*zipBody, error) {
	body := &zipBody{in: in, entry: entry, dataStart: in.offsetBytes()}
	switch entry.method {
	case zipDeflated:
		body.data = flate.NewReader(in.Reader)
	case zipStored:
		size := entry.packedBytes
		if entry.flags&zipDescriptorFlag != 0 && size == 0 {
			known, ok := stored[body.dataStart]
			if !ok {
				return nil, fmt.Errorf("zip member %s: stored without its size in front: %w", shown(entry.name), ErrUnsupported)
			}
			size = known
		}
		body.data = &exactReader{in: in, leftBytes: size}
	default:
		return nil, fmt.Errorf("zip member %s: method %d: %w", shown(entry.name), entry.method, ErrUnsupported)
	}
	return body, nil
}

// Read gives io.EOF only after the sizes and the CRC-32 were found right.
func (b *zipBody) Read(p []byte) (int, error) {
	n, err := b.data.Read(p)
	b.crc = crc32.Update(b.crc, crc32.IEEETable, p[:n])
	b.given += int64(n)
	var corrupt flate.CorruptInputError
	switch {
	case errors.Is(err, io.EOF):
		if err := b.finish(); err != nil {
			return n, err
		}
		return n, io.EOF
	case errors.As(err, &corrupt):
		return n, fmt.Errorf("%w: deflate data", ErrMalformed)
	default:
		return n, err
	}
}

func (b *zipBody) finish() error {
	met := zipEntry{crc: b.crc, packedBytes: b.in.offsetBytes() - b.dataStart, decodedBytes: b.given}
	if b.entry.flags&zipDescriptorFlag != 0 {
		if err := takeZipDescriptor(b.in, met, b.entry.wide); err != nil {
			return err
		}
		b.entry.crc, b.entry.packedBytes, b.entry.decodedBytes = met.crc, met.packedBytes, met.decodedBytes
		return nil
	}
	if b.entry.packedBytes != met.packedBytes || b.entry.decodedBytes != met.decodedBytes {
		return fmt.Errorf("%w: zip member %s is not of the stated size", ErrMalformed, shown(b.entry.name))
	}
	if b.entry.crc != met.crc {
		return fmt.Errorf("%w: CRC-32 of zip member %s", ErrChecksum, shown(b.entry.name))
	}
	return nil
}

// takeZipDescriptor takes what follows the data: perhaps a magic 4, CRC-32 4, packed size and size of 4 or 8 bytes each.
// Which of the four forms it is, no field tells; as all values are known by now, one of them must fit.
func takeZipDescriptor(in *input, met zipEntry, wideFirst bool) error {
	narrow := binary.LittleEndian.AppendUint32(nil, met.crc)
	wide := slices.Clone(narrow)
	narrow = binary.LittleEndian.AppendUint32(narrow, uint32(met.packedBytes))
	narrow = binary.LittleEndian.AppendUint32(narrow, uint32(met.decodedBytes))
	wide = binary.LittleEndian.AppendUint64(wide, uint64(met.packedBytes))
	wide = binary.LittleEndian.AppendUint64(wide, uint64(met.decodedBytes))
	forms := [][]byte{narrow, wide}
	if wideFirst {
		slices.Reverse(forms)
	}
	next, err := in.Peek(len(zipDescriptorMagic) + len(wide))
	for _, form := range forms {
		for _, form := range [][]byte{append([]byte(zipDescriptorMagic), form...), form} {
			if len(next) >= len(form) && slices.Equal(next[:len(form)], form) {
				_, err := in.Discard(len(form))
				return err
			}
		}
	}
	if err != nil {
		return noEOF(err)
	}
	return fmt.Errorf("%w: the descriptor behind a zip member", ErrChecksum)
}

// An exactReader gives exactly so many bytes; a source that ends before is ErrTruncated.
type exactReader struct {
	in        *input
	leftBytes int64
}

func (e *exactReader) Read(p []byte) (int, error) {
	if e.leftBytes == 0 {
		return 0, io.EOF
	}
	n, err := e.in.Read(p[:min(int64(len(p)), e.leftBytes)])
	e.leftBytes -= int64(n)
	return n, noEOF(err)
}
