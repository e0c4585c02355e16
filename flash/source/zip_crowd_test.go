package source_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"os"
	"runtime"
	"testing"

	"cardwright/flash/source"
)

// crowdedZip is an archive whose one member, of two bytes, its directory lists over and over (APPNOTE 6.3, 4.3.12 and 4.3.16).
func crowdedZip(entries int) []byte {
	packed := zipOfOne("x", "hi")
	end := len(packed) - 22
	start := int(binary.LittleEndian.Uint32(packed[end+16:]))
	listed, tail := packed[start:end], bytes.Clone(packed[end:])
	crowd := append(bytes.Clone(packed[:start]), bytes.Repeat(listed, entries)...)
	binary.LittleEndian.PutUint16(tail[8:], uint16(entries))
	binary.LittleEndian.PutUint16(tail[10:], uint16(entries))
	binary.LittleEndian.PutUint32(tail[12:], uint32(entries*len(listed)))
	return append(crowd, tail...)
}

// zipOfOne stores one member, with nothing that might be left out.
func zipOfOne(name, content string) []byte {
	put16 := func(b []byte, values ...uint16) []byte {
		for _, v := range values {
			b = binary.LittleEndian.AppendUint16(b, v)
		}
		return b
	}
	put32 := func(b []byte, values ...uint32) []byte {
		for _, v := range values {
			b = binary.LittleEndian.AppendUint32(b, v)
		}
		return b
	}
	size := uint32(len(content))
	fields := put16(put32(put16(nil, 20, 0, 0, 0, 0), 0, size, size), uint16(len(name)), 0)
	local := append(append(append([]byte("PK\x03\x04"), fields...), name...), content...)
	directory := append(put16([]byte("PK\x01\x02"), 20), fields...)
	directory = append(put32(put16(directory, 0, 0, 0), 0, 0), name...)
	packed := append(bytes.Clone(local), directory...)
	packed = put16(append(packed, "PK\x05\x06"...), 0, 0, 1, 1)
	return put16(put32(packed, uint32(len(directory)), uint32(len(local))), 0)
}

// A directory of a million entries takes many times its room where it is kept whole before anything is known of it.
func TestZipDirectoryIsNotKeptWhole(t *testing.T) {
	const entries = 1 << 20
	opensSparingly(t, writeFile(t, "crowd.zip", crowdedZip(entries)))
}

// An end that states more members than there are: the library makes room for one in every 30 bytes of the archive, which here is
// 1 GiB of pointers. Nearly all of the file is a hole.
func TestZipOfStatedMembersTakesNoRoom(t *testing.T) {
	const sizeBytes, endsBytes = 4 << 30, 56 + 20 + 22
	ends := make([]byte, endsBytes)
	put16, put32, put64 := binary.LittleEndian.PutUint16, binary.LittleEndian.PutUint32, binary.LittleEndian.PutUint64
	copy(ends, "PK\x06\x06")
	put64(ends[4:], 44)
	put64(ends[24:], sizeBytes/31)
	put64(ends[32:], sizeBytes/31)
	put64(ends[48:], sizeBytes-endsBytes) // the directory, of no byte, starts there
	copy(ends[56:], "PK\x06\x07")
	put64(ends[56+8:], sizeBytes-endsBytes)
	put32(ends[56+16:], 1)
	copy(ends[76:], "PK\x05\x06")
	put16(ends[76+8:], 0xFFFF)
	put16(ends[76+10:], 0xFFFF)
	put32(ends[76+16:], 0xFFFFFFFF)
	path := writeFile(t, "hole.zip", zipOfOne("x", "hi"))
	file, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	_, err = file.WriteAt(ends, sizeBytes-endsBytes)
	if err := errors.Join(err, file.Close()); err != nil {
		t.Fatal(err)
	}
	opensSparingly(t, path)
}

// opensSparingly wants that little is taken to open an archive, and that it is found wrong in the end.
func opensSparingly(t *testing.T, path string) {
	t.Helper()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	image, err := source.Open(t.Context(), path, source.Options{})
	runtime.ReadMemStats(&after)
	if taken := after.TotalAlloc - before.TotalAlloc; taken > 80<<20 {
		t.Errorf("%d MiB were taken to open it", taken>>20)
	}
	if err == nil {
		defer image.Close()
	}
	for err == nil {
		_, err = image.Read(make([]byte, 4096))
	}
	if !errors.Is(err, source.ErrMalformed) && !errors.Is(err, source.ErrChecksum) {
		t.Error(err)
	}
}
