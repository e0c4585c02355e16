package main

import (
	"bytes"
	"encoding/binary"
	"io/fs"
	"os"
	"testing"
	"time"

	"github.com/diskfs/go-diskfs/backend"
	"github.com/diskfs/go-diskfs/filesystem/fat16"

	"cardwright/flash"
	"cardwright/internal/project"
	"cardwright/partition"
)

// The walked image's boot partition begins at the end of the head and fills the second block, which holds most of its clusters.
const (
	walkedBootStart = flash.BlockBytes - 64<<10
	walkedBootBytes = flash.BlockBytes + 64<<10
)

// walkedBootImage is the walked image with a FAT file system in its partition, made by the library.
func walkedBootImage(t *testing.T) []byte {
	t.Helper()
	image := walkedImage()
	little := binary.LittleEndian
	image[450] = 0x0C
	little.PutUint32(image[454:], walkedBootStart/512)
	little.PutUint32(image[458:], walkedBootBytes/512)
	clear(image[walkedBootStart : walkedBootStart+walkedBootBytes])
	boot, err := fat16.Create(&walkedDisk{image}, walkedBootBytes, walkedBootStart, 512, "ORCHARD", true)
	if err != nil {
		t.Fatal(err)
	}
	kernel, err := boot.OpenFile("KERNEL.IMG", os.O_CREATE|os.O_RDWR)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := kernel.Write(bytes.Repeat([]byte("kernel"), 10_000)); err != nil { // what is left of the head
		t.Fatal(err)
	}
	if err := boot.Mkdir("etc"); err != nil { // so that it is read from the card
		t.Fatal(err)
	}
	return image
}

// TestWalkWithFiles walks flashes of a card that gets files of its own.
func TestWalkWithFiles(t *testing.T) {
	image, walked, inFiles := walkedBootImage(t), 0, 0
	files := []project.File{
		{Path: "config.txt", Content: []byte("hostname=row-7\n")},
		{Path: "etc/row.conf", Content: bytes.Repeat([]byte("row 7\n"), 20_000)},
	}
	for _, a := range ailments() {
		walked += a.walk(t, func(t *testing.T, w *walker) (passed bool) {
			w.files = files
			passed = walkOnce(t, image, w)
			if w.step == flash.StepFiles {
				inFiles++
			}
			return passed
		})
	}
	t.Logf("positions walked with files: %d, while these were put onto the card: %d", walked, inFiles)
	if inFiles < walked/40 {
		t.Errorf("only %d of %d faults struck while files were put onto the card", inFiles, walked)
	}
}

// withFiles is the image with files in its boot partition, from composing them over the image itself.
func withFiles(t *testing.T, image []byte, files []project.File, at time.Time) []byte {
	t.Helper()
	if len(files) == 0 {
		return image
	}
	table, err := partition.Inspect(bytes.NewReader(image), int64(len(image)), 512)
	if err != nil {
		t.Fatal(err)
	}
	change, err := project.Compose(bytes.NewReader(image), table, files, at)
	if err != nil {
		t.Fatal(err)
	}
	whole := bytes.Clone(image)
	for _, r := range change.Ranges {
		copy(whole[r.OffsetBytes:], r.Data)
	}
	return whole
}

// A walkedDisk is a medium in memory that the library can make a file system on.
type walkedDisk struct{ data []byte }

func (d *walkedDisk) WriteAt(b []byte, offsetBytes int64) (int, error) {
	return copy(d.data[offsetBytes:], b), nil
}

func (d *walkedDisk) ReadAt(b []byte, offsetBytes int64) (int, error) {
	return bytes.NewReader(d.data).ReadAt(b, offsetBytes)
}

func (*walkedDisk) Read([]byte) (int, error)                  { return 0, fs.ErrInvalid }
func (*walkedDisk) Seek(int64, int) (int64, error)            { return 0, fs.ErrInvalid }
func (*walkedDisk) Stat() (fs.FileInfo, error)                { return nil, fs.ErrInvalid }
func (*walkedDisk) Close() error                              { return nil }
func (*walkedDisk) Path() string                              { return "" }
func (*walkedDisk) Sys() (*os.File, error)                    { return nil, backend.ErrNotSuitable }
func (d *walkedDisk) Writable() (backend.WritableFile, error) { return d, nil }
