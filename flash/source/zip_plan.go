package source

import (
	"archive/zip"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"strings"
)

// A zipPlan is what the directory of an archive states ahead of decoding.
type zipPlan struct {
	decodedBytes int64           // of the chosen member; -1 when unknown
	storedBytes  map[int64]int64 // see newZipBody
}

// planZip reads the directory of a local archive to choose the member before anything is decoded. An archive whose directory
// cannot be read is left to the decoder, which tells what is wrong and where.
func planZip(file io.ReaderAt, sizeBytes int64, member string) (zipPlan, error) {
	plan := zipPlan{decodedBytes: -1}
	if file == nil || statedMembers(file, sizeBytes) > maxZipMembers {
		return plan, nil
	}
	archive, err := zip.NewReader(&sparingReader{file, maxPlanBytes}, sizeBytes)
	if err != nil || len(archive.File) > maxZipMembers {
		return plan, nil
	}
	var files []string
	var chosen *zip.File
	for _, entry := range archive.File {
		if entry.Name == member || member == "" && !strings.HasSuffix(entry.Name, "/") {
			chosen = entry
		}
		if !strings.HasSuffix(entry.Name, "/") {
			files = append(files, entry.Name)
		}
	}
	switch {
	case chosen == nil && member != "":
		return plan, fmt.Errorf("%w: %q is not among %s", ErrNoMember, member, quoted(files))
	case chosen == nil:
		return plan, fmt.Errorf("%w: it holds no file", ErrNoMember)
	case member == "" && len(files) > 1:
		return plan, fmt.Errorf("%w: %s", ErrManyMembers, quoted(files))
	}
	if chosen.UncompressedSize64 <= math.MaxInt64 {
		plan.decodedBytes = int64(chosen.UncompressedSize64)
	}
	plan.storedBytes = storedSizes(archive.File)
	return plan, nil
}

// statedMembers is how many members the end of an archive states at the most, wherever the library may find that end: it makes
// room for all of them before it meets one. The records are drawn at checkEnd.
func statedMembers(file io.ReaderAt, sizeBytes int64) (most uint64) {
	const locatorBytes, endBytes = 20, 22
	tail := make([]byte, min(sizeBytes, locatorBytes+65<<10)) // the library looks through the last 65 KiB
	if n, _ := file.ReadAt(tail, sizeBytes-int64(len(tail))); n < len(tail) {
		return 0 // nor can the library read it
	}
	for at := range max(0, len(tail)-endBytes+1) {
		if string(tail[at:at+4]) != zipEndMagic {
			continue
		}
		most = max(most, uint64(binary.LittleEndian.Uint16(tail[at+10:])))
		if at < locatorBytes || string(tail[at-locatorBytes:][:4]) != zipLocator64Magic {
			continue
		}
		var end64 [56]byte
		if n, _ := file.ReadAt(end64[:], int64(binary.LittleEndian.Uint64(tail[at-locatorBytes+8:]))); n == len(end64) {
			most = max(most, binary.LittleEndian.Uint64(end64[32:]))
		}
	}
	return most
}

// maxPlanBytes is what may be read for a plan: more than a directory of as many members, and of names as long, as are decoded.
const maxPlanBytes = 4 << 20

// A sparingReader gives so many bytes in all and then fails. The library keeps the whole directory in memory, in some times the
// room it takes in the file, before its members can be counted.
type sparingReader struct {
	file      io.ReaderAt
	leftBytes int64
}

// ReadAt fails with ErrTooMuchMemory once too much was asked for.
func (r *sparingReader) ReadAt(p []byte, offsetBytes int64) (int, error) {
	if r.leftBytes -= int64(len(p)); r.leftBytes < 0 {
		return 0, ErrTooMuchMemory
	}
	return r.file.ReadAt(p, offsetBytes)
}

// storedSizes lists the stored members that a descriptor follows, by the place where their data starts.
func storedSizes(files []*zip.File) map[int64]int64 {
	sizes := map[int64]int64{}
	for _, entry := range files {
		if entry.Method != zip.Store || entry.Flags&zipDescriptorFlag == 0 || entry.CompressedSize64 > math.MaxInt64 {
			continue
		}
		if dataStart, err := entry.DataOffset(); err == nil {
			sizes[dataStart] = int64(entry.CompressedSize64)
		}
	}
	return sizes
}
