package store_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"testing/iotest"
	"time"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/store"
)

// boardBytes is the length of the images here: two blocks and a short one.
const boardBytes = 2*flash.BlockBytes + 70_656

// board is an image that begins with a partition table. Its second block is nearly all zeros.
func board(seed byte) []byte {
	image := make([]byte, boardBytes)
	_, _ = rand.NewChaCha8([32]byte{seed}).Read(image) // documented never to fail
	clear(image[:512])
	copy(image[446:], []byte{0, 0, 2, 0, 0x83, 0, 3, 0, 8, 0, 0, 0, 8})
	binary.LittleEndian.PutUint16(image[510:], 0xaa55)
	clear(image[flash.BlockBytes : 2*flash.BlockBytes-100])
	return image
}

// packed writes an image as a gzip file and gives its path.
func packed(t *testing.T, image []byte) string {
	t.Helper()
	var to bytes.Buffer
	writer, err := gzip.NewWriterLevel(&to, gzip.HuffmanOnly)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := writer.Write(image); err != nil {
		t.Fatal(err)
	}
	if err := writer.Close(); err != nil {
		t.Fatal(err)
	}
	return written(t, "board.img.gz", to.Bytes())
}

// written writes a file into a new folder and gives its path.
func written(t *testing.T, name string, content []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, content, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// later is a clock on which every file of a test stood unchanged for long.
func later() time.Time { return time.Now().Add(time.Hour) }

func open(t *testing.T, dir string, o store.Options) *store.Store {
	t.Helper()
	if o.Now == nil {
		o.Now = later
	}
	s, err := store.Open(t.Context(), dir, o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func prepare(t *testing.T, s *store.Store, name string, o source.Options) *store.Prepared {
	t.Helper()
	p, err := s.Prepare(t.Context(), name, o, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { mustClose(t, p) })
	return p
}

func mustClose(t *testing.T, c io.Closer) {
	t.Helper()
	if err := c.Close(); err != nil {
		t.Error(err)
	}
}

// content reads a prepared image through a reader of its own.
func content(t *testing.T, p *store.Prepared) ([]byte, error) {
	t.Helper()
	image, err := p.Image(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer mustClose(t, image)
	return io.ReadAll(image)
}

func entries(t *testing.T, s *store.Store) []store.Entry {
	t.Helper()
	all, err := s.Entries(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// expectOnly wants a store's folder to hold nothing but its lock and the entries of these images, and those to be whole.
func expectOnly(t *testing.T, dir string, images ...[]byte) {
	t.Helper()
	s := open(t, dir, store.Options{})
	found, err := os.ReadDir(dir)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		t.Fatal(err)
	}
	all := entries(t, s)
	for _, f := range found {
		known := f.Name() == "lock"
		for _, e := range all {
			known = known || f.Name() == e.Key
		}
		if !known {
			t.Errorf("%s is left in the store", f.Name())
		}
	}
	if len(all) != len(images) {
		t.Fatalf("%d entries, want %d: %+v", len(all), len(images), all)
	}
	for _, e := range all {
		raw, err := os.ReadFile(filepath.Join(dir, e.Key, "image.raw"))
		one := slices.ContainsFunc(images, func(image []byte) bool { return bytes.Equal(raw, image) })
		if err != nil || !one || e.Complaint != "" {
			t.Errorf("the entry %s is none of the images: %v, %s", e.Key, err, e.Complaint)
		}
	}
}

// A prepared image is the decoded one, whichever way it is read, and what is known of it is what decoding tells.
func TestPreparedImageIsTheDecodedOne(t *testing.T) {
	image := board(1)
	name := packed(t, image)
	dir := filepath.Join(t.TempDir(), "far", "away")
	p := prepare(t, open(t, dir, store.Options{}), name, source.Options{})
	if got, err := content(t, p); err != nil || !bytes.Equal(got, image) {
		t.Errorf("other bytes, or %v", err)
	}
	reader, err := p.Image(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := iotest.TestReader(reader, image); err != nil {
		t.Error(err)
	}
	for _, place := range [][2]int{{0, 1}, {flash.BlockBytes - 1, 2}, {5, flash.BlockBytes}, {0, boardBytes}, {boardBytes - 3, 3}} {
		got := make([]byte, place[1])
		if n, err := p.ReadAt(got, int64(place[0])); err != nil || !bytes.Equal(got[:n], image[place[0]:place[0]+place[1]]) {
			t.Errorf("%v: %d bytes, %v", place, n, err)
		}
	}
	if n, err := p.ReadAt(make([]byte, 10), boardBytes-4); n != 4 || !errors.Is(err, io.EOF) {
		t.Errorf("over the end: %d, %v", n, err)
	}
	whole, file := sha256.Sum256(image), sha256.Sum256(read(t, name))
	want := source.Facts{
		Name: "board.img.gz", Format: source.FormatGzip, PackedBytes: int64(len(read(t, name))), ImageBytes: boardBytes,
		PackedSHA256: hex.EncodeToString(file[:]), ImageSHA256: hex.EncodeToString(whole[:]), Expected: source.Absent,
	}
	if got := p.Facts(); got != want {
		t.Errorf("facts are %+v, want %+v", got, want)
	}
	for i, digest := range p.Manifest().Blocks {
		if sum := sha256.Sum256(image[i*flash.BlockBytes : min(len(image), (i+1)*flash.BlockBytes)]); flash.Digest(sum) != digest {
			t.Errorf("block %d has another digest", i)
		}
	}
	if table := p.Table(); table.Kind != "mbr" || len(table.Partitions) != 1 || table.Partitions[0].StartLBA != 8 {
		t.Errorf("the table is %+v", table)
	}
	expectOnly(t, dir, image)
}

func read(t *testing.T, path string) []byte {
	t.Helper()
	content, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return content
}

// Runs of zeros take no room on the disk, and several readers read at once, each for itself.
func TestZerosTakeNoRoomAndReadersShareNothing(t *testing.T) {
	image := board(2)
	dir := t.TempDir()
	p := prepare(t, open(t, dir, store.Options{}), packed(t, image), source.Options{})
	info, err := os.Stat(filepath.Join(p.Path(), "image.raw"))
	if err != nil {
		t.Fatal(err)
	}
	if allocated := info.Sys().(*syscall.Stat_t).Blocks * 512; info.Size() != boardBytes || allocated > boardBytes-3<<20 ||
		allocated != p.AllocatedBytes() {
		t.Errorf("%d bytes take %d on the disk, and are told as %d", info.Size(), allocated, p.AllocatedBytes())
	}
	readers := make([]*store.Image, 3)
	for i := range readers {
		if readers[i], err = p.Image(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	buffer := make([]byte, 1_000_000)
	for at := 0; at < boardBytes; {
		step := min(len(buffer), boardBytes-at)
		for i, r := range readers {
			if _, err := io.ReadFull(r, buffer[:step]); err != nil || !bytes.Equal(buffer[:step], image[at:at+step]) {
				t.Fatalf("reader %d from %d: other bytes, or %v", i, at, err)
			}
		}
		at += step
	}
}

// A block that is not as it was written is told as such before a byte of it is given, and the entry is not used again.
func TestRottenBlockIsNeverHandedOut(t *testing.T) {
	image := board(3)
	name := packed(t, image)
	dir := t.TempDir()
	for _, at := range []int64{0, flash.BlockBytes + 77, boardBytes - 1} {
		var told []error
		s := open(t, dir, store.Options{Damaged: func(err error) { told = append(told, err) }})
		p := prepare(t, s, name, source.Options{})
		flip(t, filepath.Join(p.Path(), "image.raw"), at)
		got, err := content(t, p)
		whole := int(at / flash.BlockBytes * flash.BlockBytes)
		damage, ok := errors.AsType[*store.Error](err)
		if !errors.Is(err, store.ErrDamaged) || !ok || damage.OffsetBytes != int64(whole) || !bytes.Equal(got, image[:whole]) {
			t.Errorf("a bad byte at %d: %d bytes came, and %v", at, len(got), err)
		}
		if n, err := p.ReadAt(make([]byte, 10), at-at%flash.BlockBytes); n != 0 || !errors.Is(err, store.ErrDamaged) {
			t.Errorf("a bad byte at %d: %d bytes came from its block, and %v", at, n, err)
		}
		if _, err := s.Find(t.Context(), name, source.Options{}); !errors.Is(err, store.ErrNotPrepared) || len(told) != 1 {
			t.Errorf("a rotten entry is found again: %v, told were %v", err, told)
		}
		mustClose(t, p)
		if got, err := content(t, prepare(t, s, name, source.Options{})); err != nil || !bytes.Equal(got, image) {
			t.Errorf("prepared anew, other bytes come, or %v", err)
		}
	}
}

func flip(t *testing.T, path string, offsetBytes int64) {
	t.Helper()
	content := read(t, path)
	content[offsetBytes] ^= 0x10
	if err := os.WriteFile(path, content, 0o600); err != nil {
		t.Fatal(err)
	}
}

// Whatever is wrong with an entry's files, it is told, not used, and prepared anew.
func TestDamagedEntryIsPreparedAnew(t *testing.T) {
	image := small()
	name := written(t, "board.img", image)
	for what, spoil := range map[string]func(folder string) error{
		"a changed manifest": func(folder string) error { flip(t, filepath.Join(folder, "manifest.json"), 300); return nil },
		"no manifest":        func(folder string) error { return os.Remove(filepath.Join(folder, "manifest.json")) },
		"an empty manifest":  func(folder string) error { return os.Truncate(filepath.Join(folder, "manifest.json"), 0) },
		"a short image":      func(folder string) error { return os.Truncate(filepath.Join(folder, "image.raw"), 100) },
		"a long image":       func(folder string) error { return os.Truncate(filepath.Join(folder, "image.raw"), int64(len(image)+1)) },
		"no image":           func(folder string) error { return os.Remove(filepath.Join(folder, "image.raw")) },
		"nothing": func(folder string) error {
			return errors.Join(os.RemoveAll(folder), os.Mkdir(folder, 0o700))
		},
	} {
		t.Run(what, func(t *testing.T) {
			dir := t.TempDir()
			var told []error
			s := open(t, dir, store.Options{Damaged: func(err error) { told = append(told, err) }})
			p := prepare(t, s, name, source.Options{})
			mustClose(t, p)
			if err := spoil(p.Path()); err != nil {
				t.Fatal(err)
			}
			if all := entries(t, s); len(all) != 1 || all[0].Complaint == "" {
				t.Errorf("it is listed as %+v", all)
			}
			if got, err := content(t, prepare(t, s, name, source.Options{})); err != nil || !bytes.Equal(got, image) {
				t.Errorf("prepared anew, other bytes come, or %v", err)
			}
			if len(told) != 1 || !errors.Is(told[0], store.ErrDamaged) {
				t.Errorf("told was %v", told)
			}
			expectOnly(t, dir, image)
		})
	}
}

// An image of any length is kept as it is, whatever steps it is read in, on its way to a card or not.
func TestAnyLengthIsKeptInAnySteps(t *testing.T) {
	whole := board(6)
	s := open(t, t.TempDir(), store.Options{})
	for _, lengthBytes := range []int{1, flash.BlockBytes - 1, flash.BlockBytes, flash.BlockBytes + 1, 2*flash.BlockBytes + 1} {
		name := written(t, "board.img", whole[:lengthBytes])
		for _, stepBytes := range []int{64<<10 + 1, 1_000_003, flash.BlockBytes} {
			o := source.Options{Raw: true}
			image, err := source.Open(t.Context(), name, o)
			if err != nil {
				t.Fatal(err)
			}
			keeping, err := s.Begin(t.Context(), image, name, o)
			if err != nil {
				t.Fatal(err)
			}
			var passed bytes.Buffer
			if _, err := io.CopyBuffer(struct{ io.Writer }{&passed}, struct{ io.Reader }{keeping}, make([]byte, stepBytes)); err != nil {
				t.Fatal(err)
			}
			p, err := keeping.Finish(t.Context(), nil)
			if err != nil {
				t.Fatal(err)
			}
			got, err := content(t, p)
			if err != nil || !bytes.Equal(got, whole[:lengthBytes]) || !bytes.Equal(passed.Bytes(), got) {
				t.Errorf("%d bytes in steps of %d: other bytes, or %v", lengthBytes, stepBytes, err)
			}
			mustClose(t, keeping)
			mustClose(t, p)
			if err := s.Remove(t.Context(), p.Key()); err != nil {
				t.Error(err)
			}
		}
	}
}

// A bad source, and one that is interrupted, leave nothing behind.
func TestBadOrInterruptedSourceKeepsNothing(t *testing.T) {
	image := board(5)
	dir := t.TempDir()
	s := open(t, dir, store.Options{})
	name := packed(t, image)
	cut := written(t, "cut.img.gz", read(t, name)[:3<<20])
	if _, err := s.Prepare(t.Context(), cut, source.Options{}, nil); !errors.Is(err, source.ErrTruncated) {
		t.Errorf("a cut source: %v", err)
	}
	expectOnly(t, dir)
	ctx, cancel := context.WithCancelCause(t.Context())
	stopped := errors.New("stopped")
	s.Before(func(call string) error {
		if strings.HasPrefix(call, "write") {
			cancel(stopped)
		}
		return nil
	})
	if _, err := s.Prepare(ctx, name, source.Options{}, nil); !errors.Is(err, stopped) {
		t.Errorf("an interrupted source: %v", err)
	}
	expectOnly(t, dir)
}
