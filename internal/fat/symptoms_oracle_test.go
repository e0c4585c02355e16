//go:build oracle

package fat_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"testing"

	backendfile "github.com/diskfs/go-diskfs/backend/file"
	"github.com/diskfs/go-diskfs/filesystem"
	"github.com/diskfs/go-diskfs/filesystem/fat16"
	"github.com/diskfs/go-diskfs/filesystem/fat32"

	"cardwright/internal/fat"
)

// symptoms makes the file system, lets a writer put the file, and tells what is wrong then.
func (f fault) symptoms(t *testing.T, write func(*testing.T, *os.File) symptom) (all []symptom) {
	t.Helper()
	path, traceAt := f.made(t)
	file, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	note := func(s symptom, there bool) {
		if there {
			all = append(all, s)
		}
	}
	said := write(t, file)
	note(said, said != "")
	note(altered, string(read(t, path, traceAt, len(f.byHand.bytes))) != f.byHand.bytes)
	if f.unclosed {
		near := read(t, path, 0, nearBytes)
		marked := bytes.Clone(near)
		markDirty(marked, f.making.name)
		note(altered, !bytes.Equal(near, marked))
		closeAgain(marked, f.making.name)
		patch(t, path, 0, string(marked))
	}
	behind := read(t, path, f.making.sizeBytes, behindBytes)
	note(overrun, !bytes.Equal(behind, make([]byte, behindBytes)))
	_, sound := tool(t, nil, "fsck.fat", "-n", path)
	note(unsound, !sound)
	if f.refused == nil {
		note(unread, !holds(t, path, f.put.path, f.put.content))
	}
	for _, name := range append([]string{"config.txt"}, f.kept...) {
		note(othersBad, !holds(t, path, name, otherContent))
	}
	return all
}

// made makes the file system, sound as fsck.fat sees it, and gives the place of what is set by hand.
func (f fault) made(t *testing.T) (path string, traceAt int64) {
	t.Helper()
	path = f.making.empty(t)
	holding("config.txt", otherContent)(t, path)
	must(t, nil, "mmd", "-i", path, "::overlays")
	if f.prepare != nil {
		f.prepare(t, path)
	}
	must(t, nil, "fsck.fat", "-n", path)
	if err := os.Truncate(path, f.making.sizeBytes+behindBytes); err != nil {
		t.Fatal(err)
	}
	near := read(t, path, 0, nearBytes)
	if f.unclosed {
		markDirty(near, f.making.name)
		patch(t, path, 0, string(near))
	}
	at := bytes.Index(near, []byte(f.byHand.find))
	if at < 0 {
		t.Fatalf("%q is not there", f.byHand.find)
	}
	traceAt = int64(at + f.byHand.skip)
	patch(t, path, traceAt, f.byHand.bytes)
	return path, traceAt
}

// closeAgain takes back the mark, which fsck.fat complains of.
func closeAgain(boot []byte, kind string) {
	start, length := tablesOf(boot)
	for _, at := range []int{start, start + length} {
		switch kind {
		case "fat16":
			boot[at+3] |= 0x80
		case "fat32":
			boot[at+7] |= 0x08
		}
	}
}

// medium is the file as it is written to and read.
func (f fault) medium(t *testing.T, file *os.File) *spoiledFile {
	if !f.badRoot {
		return &spoiledFile{File: file, badBytes: -1}
	}
	start, length := tablesOf(read(t, file.Name(), 0, nearBytes))
	return &spoiledFile{file, int64(start + 2*length)}
}

// A spoiledFile fails reads that begin at one byte.
type spoiledFile struct {
	*os.File
	badBytes int64
}

func (s *spoiledFile) ReadAt(b []byte, offsetBytes int64) (int, error) {
	if offsetBytes == s.badBytes {
		return 0, errUnreadable
	}
	return s.File.ReadAt(b, offsetBytes)
}

func (f fault) putByFat(t *testing.T, file *os.File) symptom {
	medium := f.medium(t, file)
	if f.refused != nil {
		volume, err := fat.Open(medium, 0, f.making.sizeBytes)
		if err == nil {
			err = volume.Put(f.put.path, []byte(f.put.content), whenPut)
		}
		if !isError(err, f.refused) {
			t.Errorf("internal/fat: %v, want %v", err, f.refused)
		}
		return ""
	}
	for _, r := range putAll(t, medium, 0, f.making.sizeBytes, []orchardFile{f.put}) {
		if _, err := file.WriteAt(r.Data, r.OffsetBytes); err != nil {
			t.Fatal(err)
		}
	}
	return ""
}

func (f fault) putByLibrary(t *testing.T, file *os.File) (s symptom) {
	defer func() {
		if cause := recover(); cause != nil {
			t.Logf("the library panics: %v", cause)
			s = panicked
		}
	}()
	if err := f.libraryPut(f.medium(t, file)); err != nil {
		t.Logf("the library: %v", err)
		return failed
	}
	return ""
}

func (f fault) libraryPut(medium *spoiledFile) (err error) {
	storage := backendfile.New(medium, false)
	var library filesystem.FileSystem
	if f.making.name == "fat16" {
		library, err = fat16.Read(storage, f.making.sizeBytes, 0, 0)
	} else {
		library, err = fat32.Read(storage, f.making.sizeBytes, 0, 0)
	}
	if err != nil {
		return err
	}
	if folder, _, deep := strings.Cut(f.put.path, "/"); deep {
		if err := library.Mkdir(folder); err != nil {
			return err
		}
	}
	file, err := library.OpenFile(f.put.path, os.O_CREATE|os.O_RDWR|os.O_TRUNC)
	if err != nil || f.put.content == "" {
		return err
	}
	if _, err = io.WriteString(file, f.put.content); err != nil {
		return err
	}
	return errors.Join(file.Close(), library.Close())
}

// deleting fills a folder with long names, of four entries each, and deletes them.
func deleting(folder string, count int) func(*testing.T, string) {
	return func(t *testing.T, path string) {
		for i := range count {
			must(t, []byte("x"), "mcopy", "-i", path, "-", fmt.Sprintf("::%sa-long-name-of-the-past-%d.dtb", folder, i))
		}
		for i := range count {
			must(t, nil, "mdel", "-i", path, fmt.Sprintf("::%sa-long-name-of-the-past-%d.dtb", folder, i))
		}
	}
}

func holding(name, content string) func(*testing.T, string) {
	return func(t *testing.T, path string) { must(t, []byte(content), "mcopy", "-i", path, "-", "::"+name) }
}

func filled(t *testing.T, path string) {
	holding("fill.bin", strings.Repeat("f", int(freeBytes(t, path))))(t, path)
}

func holds(t *testing.T, path, name, content string) bool {
	t.Helper()
	got, ok := tool(t, nil, "mtype", "-i", path, "::"+name)
	return ok && got == content
}

func read(t *testing.T, path string, offsetBytes int64, lengthBytes int) []byte {
	t.Helper()
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	b := make([]byte, lengthBytes)
	if _, err := file.ReadAt(b, offsetBytes); err != nil {
		t.Fatal(err)
	}
	return b
}

func patch(t *testing.T, path string, offsetBytes int64, content string) {
	t.Helper()
	file, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	if _, err := file.WriteAt([]byte(content), offsetBytes); err != nil {
		t.Fatal(err)
	}
}
