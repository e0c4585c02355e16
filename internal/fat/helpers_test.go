package fat_test

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/diskfs/go-diskfs/backend"
	"github.com/diskfs/go-diskfs/filesystem"
	"github.com/diskfs/go-diskfs/filesystem/fat12"
	"github.com/diskfs/go-diskfs/filesystem/fat16"
	"github.com/diskfs/go-diskfs/filesystem/fat32"

	"cardwright/internal/fat"
)

// whenPut is when files are put in tests; FAT's clock counts pairs of seconds.
var whenPut = time.Date(2026, 11, 26, 12, 34, 57, 0, time.UTC)

type orchardFile struct{ path, content string }

// orchardFiles are files of all sorts: some replace what is there, some are long, empty, deep, or hard to name.
func orchardFiles() []orchardFile {
	return []orchardFile{
		{"cmdline.txt", "console=tty1 root=/dev/mmcblk0p2\n"},
		{"config.txt", "hostname=row-07\n"},
		{"etc/Deep Folder/row.conf", strings.Repeat("row 7\n", 2000)},
		{"etc/Deep Folder/second.conf", "tree 9"},
		{"grüße.txt", "aus dem Garten"},
		{"KERNEL.TXT", "plain"},
		{"Orchard Notes.txt", "apples"},
		{"Orchard Notes (2).txt", "pears"},
		{"overlays/new-overlay-with-a-name-of-more-than-two-slots.dtbo", strings.Repeat("\x00\xff", 3000)},
		{"ssh", "now with content"},
		{"user-data", ""},
	}
}

// A disk is a medium in memory that the library can make file systems on.
type disk struct{ data []byte }

func (d *disk) ReadAt(b []byte, offsetBytes int64) (int, error) {
	return bytes.NewReader(d.data).ReadAt(b, offsetBytes)
}

func (d *disk) WriteAt(b []byte, offsetBytes int64) (int, error) {
	if offsetBytes < 0 || offsetBytes+int64(len(b)) > int64(len(d.data)) {
		return 0, io.ErrShortWrite
	}
	return copy(d.data[offsetBytes:], b), nil
}

func (*disk) Read([]byte) (int, error)                  { return 0, fs.ErrInvalid }
func (*disk) Seek(int64, int) (int64, error)            { return 0, fs.ErrInvalid }
func (*disk) Stat() (fs.FileInfo, error)                { return nil, fs.ErrInvalid }
func (*disk) Close() error                              { return nil }
func (*disk) Path() string                              { return "" }
func (*disk) Sys() (*os.File, error)                    { return nil, backend.ErrNotSuitable }
func (d *disk) Writable() (backend.WritableFile, error) { return d, nil }

// kinds are the kinds of file systems and how large one of each is here.
var kinds = map[string]int64{"fat12": 1 << 20, "fat16": 5 << 20, "fat32": 2 << 20}

// made lets the library make a file system, with a file and a folder in it, at a place of a medium full of other bytes.
func made(t testing.TB, kind string, startBytes int64) *disk {
	t.Helper()
	size := kinds[kind]
	d := &disk{bytes.Repeat([]byte{0xA5}, int(startBytes+size+1<<16))}
	clear(d.data[startBytes : startBytes+size])
	var made filesystem.FileSystem
	var err error
	switch kind {
	case "fat12":
		made, err = fat12.Create(d, size, startBytes, 512, "ORCHARD", true)
	case "fat16":
		made, err = fat16.Create(d, size, startBytes, 512, "ORCHARD", true)
	default:
		made, err = fat32.Create(d, size, startBytes, 512, "ORCHARD", true)
	}
	if err != nil {
		t.Fatal(err)
	}
	if err := made.Mkdir("overlays"); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"config.txt", "overlays/first.dtbo"} {
		file, err := made.OpenFile(name, os.O_CREATE|os.O_RDWR)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := file.Write(bytes.Repeat([]byte("old "), 900)); err != nil {
			t.Fatal(err)
		}
	}
	return d
}

// putAll puts files into a file system and gives the sectors that change.
func putAll(t testing.TB, medium io.ReaderAt, startBytes, lengthBytes int64, files []orchardFile) []fat.Range {
	t.Helper()
	volume, err := fat.Open(medium, startBytes, lengthBytes)
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range files {
		if err := volume.Put(file.path, []byte(file.content), whenPut); err != nil {
			t.Fatal(err)
		}
	}
	ranges, err := volume.Finish()
	if err != nil {
		t.Fatal(err)
	}
	return ranges
}

// refusal is why a file cannot be put.
func refusal(image []byte, startBytes, lengthBytes int64, file orchardFile) error {
	volume, err := fat.Open(bytes.NewReader(image), startBytes, lengthBytes)
	if err == nil {
		err = volume.Put(file.path, []byte(file.content), whenPut)
	}
	if err == nil {
		_, err = volume.Finish()
	}
	return err
}

func isError(err, want error) bool { return err != nil && errors.Is(err, want) }
