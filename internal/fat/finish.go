package fat

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"github.com/diskfs/go-diskfs/backend"
	"github.com/diskfs/go-diskfs/filesystem"
	"github.com/diskfs/go-diskfs/filesystem/fat12"
	"github.com/diskfs/go-diskfs/filesystem/fat16"
	"github.com/diskfs/go-diskfs/filesystem/fat32"
)

// Finish brings both tables and the count of free clusters up to date, reads every file back through another implementation, and
// gives the sectors that change, in order. The error wraps ErrNotReadBack or ErrUnsound, or is the medium's.
func (v *Volume) Finish() ([]Range, error) {
	for _, sector := range v.table.changed() {
		part := v.table.bytes[sector*v.sectorBytes:][:v.sectorBytes]
		for _, start := range []int64{v.tableStart, v.tableStart + v.tableBytes} {
			if err := v.overlay.write(part, start+sector*v.sectorBytes); err != nil {
				return nil, err
			}
		}
	}
	if err := v.countFree(); err != nil {
		return nil, err
	}
	if err := v.readBack(); err != nil {
		return nil, err
	}
	return v.overlay.ranges(), nil
}

// The sector of FAT32's count of free clusters:
//
//	offset size               offset size
//	000h   4  52 52 61 41     1E8h   4  free clusters, FFFFFFFFh: not known
//	1E4h   4  72 72 41 61     1ECh   4  where to look for a free one
//	                          1FCh   4  00 00 55 AA
//
// Its copy behind the copy of the boot sector is left alone, as other systems leave it: nobody reads it.
func (v *Volume) countFree() error {
	if v.infoBytes == 0 {
		return nil
	}
	info, little := make([]byte, unitBytes), binary.LittleEndian
	if _, err := v.overlay.ReadAt(info, v.infoBytes); err != nil {
		return err
	}
	if little.Uint32(info) != 0x41615252 || little.Uint32(info[0x1E4:]) != 0x61417272 || little.Uint32(info[0x1FC:]) != 0xAA550000 {
		return unsound("its count of free clusters makes no sense")
	}
	little.PutUint32(info[0x1E8:], v.table.countFree())
	if v.table.latest != 0 {
		little.PutUint32(info[0x1EC:], v.table.latest)
	}
	return v.overlay.write(info, v.infoBytes)
}

// readBack opens the file system as changed with the library and reads every file. A panic of the library over bytes that it did
// not expect is an error like any other.
func (v *Volume) readBack() (err error) {
	defer func() {
		switch cause := recover().(type) {
		case nil:
		case failedRead:
			err = cause.err
		default:
			err = fmt.Errorf("%w: %v", ErrNotReadBack, cause)
		}
	}()
	library, err := v.openAgain()
	if err != nil {
		return fmt.Errorf("%w: %w", ErrNotReadBack, err)
	}
	for _, file := range v.put {
		if err := readAgain(library, file); err != nil {
			return fmt.Errorf("%w: %s: %w", ErrNotReadBack, file.path, err)
		}
	}
	return nil
}

func (v *Volume) openAgain() (filesystem.FileSystem, error) {
	medium := again{overlay: v.overlay}
	switch v.bits {
	case 12:
		return fat12.Read(medium, v.overlay.lengthBytes, 0, 0)
	case 16:
		return fat16.Read(medium, v.overlay.lengthBytes, 0, 0)
	}
	return fat32.Read(medium, v.overlay.lengthBytes, 0, 0)
}

var errDiffers = errors.New("its content differs")

// readAgain reads one file in one call: the library's later calls for a file go wrong at a cluster's edge. It cannot read an empty
// file, but knows its size.
func readAgain(library filesystem.FileSystem, file putFile) error {
	held, err := library.OpenFile(file.path, os.O_RDONLY)
	if err != nil {
		return err
	}
	defer held.Close()
	info, err := held.Stat()
	if err != nil {
		return err
	}
	if info.IsDir() || info.Size() != int64(len(file.content)) {
		return errDiffers
	}
	if len(file.content) == 0 {
		return nil
	}
	content := make([]byte, len(file.content))
	n, err := held.Read(content)
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	if n != len(content) || string(content) != string(file.content) {
		return errDiffers
	}
	return nil
}

// again shows the library an overlay as what it wants to read from. The library takes no notice of reads that fail, so they end it.
type again struct{ *overlay }

// A failedRead is the panic that ends the library.
type failedRead struct{ err error }

func (a again) ReadAt(b []byte, offsetBytes int64) (int, error) {
	n, err := a.overlay.ReadAt(b, offsetBytes)
	if err != nil {
		panic(failedRead{err})
	}
	return n, nil
}

func (again) Read([]byte) (int, error)                { return 0, fs.ErrInvalid }
func (again) Seek(int64, int) (int64, error)          { return 0, fs.ErrInvalid }
func (again) Stat() (fs.FileInfo, error)              { return nil, fs.ErrInvalid }
func (again) Close() error                            { return nil }
func (again) Path() string                            { return "" }
func (again) Sys() (*os.File, error)                  { return nil, backend.ErrNotSuitable }
func (again) Writable() (backend.WritableFile, error) { return nil, backend.ErrIncorrectOpenMode }
