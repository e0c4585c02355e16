package project_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"io/fs"
	"os"
	"testing"
	"time"

	"github.com/diskfs/go-diskfs/backend"
	"github.com/diskfs/go-diskfs/filesystem/fat12"

	"cardwright/internal/fat"
	"cardwright/internal/project"
	"cardwright/partition"
)

const fatBytes = 1 << 20

// An entry is one partition of an image.
type entry struct {
	active bool
	kind   byte // as the MBR tells it
	fat    bool
}

// imageOf makes an image with partitions of 1 MiB each, one after the other from 1 MiB on (MBR: UEFI 2.11, 5.2.1).
func imageOf(t testing.TB, entries ...entry) *disk {
	t.Helper()
	d := &disk{make([]byte, (1+len(entries))<<20)}
	for i, e := range entries {
		at := d.data[446+16*i:]
		if e.active {
			at[0] = 0x80
		}
		at[4] = e.kind
		binary.LittleEndian.PutUint32(at[8:], uint32(1+i)*2048)
		binary.LittleEndian.PutUint32(at[12:], 2048)
		if !e.fat {
			continue
		}
		if _, err := fat12.Create(d, fatBytes, int64(1+i)<<20, 512, "ORCHARD", true); err != nil {
			t.Fatal(err)
		}
	}
	d.data[510], d.data[511] = 0x55, 0xAA
	return d
}

func tableOf(t testing.TB, d *disk) *partition.Table {
	t.Helper()
	table, err := partition.Inspect(d, int64(len(d.data)), 512)
	if err != nil {
		t.Fatal(err)
	}
	return table
}

func TestBootPartitionIsTheMarkedOneOrTheFirst(t *testing.T) {
	for name, c := range map[string]struct {
		entries []entry
		number  int
	}{
		"one":            {[]entry{{kind: 0x0C, fat: true}, {kind: 0x83}}, 1},
		"first of two":   {[]entry{{kind: 0x0C, fat: true}, {kind: 0x0C, fat: true}}, 1},
		"EFI":            {[]entry{{kind: 0x0C, fat: true}, {kind: 0xEF, fat: true}}, 2},
		"active":         {[]entry{{kind: 0x0C, fat: true}, {kind: 0x0C, fat: true, active: true}}, 2},
		"active is none": {[]entry{{kind: 0x83, active: true}, {kind: 0x0C, fat: true}}, 2},
		"first marked":   {[]entry{{kind: 0xEF, fat: true}, {kind: 0x0C, fat: true, active: true}}, 1},
		"none":           {[]entry{{kind: 0x83}, {kind: 0x0C}}, 0},
	} {
		place, err := project.BootPartition(tableOf(t, imageOf(t, c.entries...)))
		if c.number == 0 {
			if !errors.Is(err, project.ErrNoBootPartition) {
				t.Errorf("%s: %v", name, err)
			}
			continue
		}
		if want := (project.Place{Partition: c.number, OffsetBytes: int64(c.number) << 20, LengthBytes: 1 << 20}); err != nil || place != want {
			t.Errorf("%s: %+v, %v", name, place, err)
		}
	}
	d := imageOf(t, entry{kind: 0x0C, fat: true})
	d.data = d.data[:2<<20-512]
	if place, err := project.BootPartition(tableOf(t, d)); !errors.Is(err, project.ErrNoBootPartition) {
		t.Errorf("cut off: %+v, %v", place, err)
	}
}

var whenPut = time.Date(2026, 11, 26, 12, 34, 56, 0, time.UTC)

func TestComposedSectorsLieInTheBootPartition(t *testing.T) {
	d := imageOf(t, entry{kind: 0x0C, fat: true}, entry{kind: 0x83})
	before := bytes.Clone(d.data)
	files := []project.File{{Path: "config.txt", Content: []byte("hostname=tree-7\n")}, {Path: "etc/key.bin", Content: make([]byte, 70_000)}}
	change, err := project.Compose(d, tableOf(t, d), files, whenPut)
	if err != nil {
		t.Fatal(err)
	}
	if change.Partition != 1 || len(change.Ranges) == 0 || !bytes.Equal(d.data, before) {
		t.Errorf("%+v in %d ranges, the image is as it was: %v", change.Place, len(change.Ranges), bytes.Equal(d.data, before))
	}
	for _, r := range change.Ranges {
		if r.OffsetBytes < 1<<20+512 || r.OffsetBytes+int64(len(r.Data)) > 2<<20 {
			t.Errorf("%d bytes at %d would change", len(r.Data), r.OffsetBytes)
		}
		copy(d.data[r.OffsetBytes:], r.Data)
	}
	library, err := fat12.Read(d, fatBytes, 1<<20, 0)
	if err != nil {
		t.Fatal(err)
	}
	if content, err := library.ReadFile("config.txt"); err != nil || string(content) != "hostname=tree-7\n" {
		t.Errorf("%q, %v", content, err)
	}
}

func TestComposeSaysWhatIsInTheWay(t *testing.T) {
	sound, none := imageOf(t, entry{kind: 0x0C, fat: true}), imageOf(t, entry{kind: 0x83}) // of one length
	cause := errors.New("no answer")
	for name, c := range map[string]struct {
		view  io.ReaderAt
		image *disk
		files []project.File
		want  error
	}{
		"no partition": {none, none, nil, project.ErrNoBootPartition},
		"no room":      {sound, sound, []project.File{{Path: "x", Content: make([]byte, 2<<20)}}, fat.ErrFull},
		"no name":      {sound, sound, []project.File{{Path: "a:b"}}, fat.ErrName},
		"no answer":    {failing{cause}, sound, nil, cause},
		"no FAT":       {none, sound, nil, fat.ErrUnsound},
	} {
		change, err := project.Compose(c.view, tableOf(t, c.image), c.files, whenPut)
		if !errors.Is(err, c.want) || !errors.Is(err, project.ErrNotComposed) || change != nil {
			t.Errorf("%s: %v, %v", name, change, err)
		}
	}
}

type failing struct{ err error }

func (f failing) ReadAt([]byte, int64) (int, error) { return 0, f.err }

// A disk is a medium in memory that the library can make file systems on.
type disk struct{ data []byte }

func (d *disk) ReadAt(b []byte, offsetBytes int64) (int, error) {
	return bytes.NewReader(d.data).ReadAt(b, offsetBytes)
}

func (d *disk) WriteAt(b []byte, offsetBytes int64) (int, error) {
	return copy(d.data[offsetBytes:], b), nil
}

func (*disk) Read([]byte) (int, error)                  { return 0, fs.ErrInvalid }
func (*disk) Seek(int64, int) (int64, error)            { return 0, fs.ErrInvalid }
func (*disk) Stat() (fs.FileInfo, error)                { return nil, fs.ErrInvalid }
func (*disk) Close() error                              { return nil }
func (*disk) Path() string                              { return "" }
func (*disk) Sys() (*os.File, error)                    { return nil, backend.ErrNotSuitable }
func (d *disk) Writable() (backend.WritableFile, error) { return d, nil }
