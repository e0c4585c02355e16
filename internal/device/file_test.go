package device_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"cardwright/flash"
	"cardwright/internal/cardlab/conform"
	"cardwright/internal/device"
)

// plainMachine gives options that look at an invented machine, so that the tests do not depend on this one's disks.
func plainMachine(t *testing.T) device.Options {
	t.Helper()
	return device.Options{Roots: layOut(t, "system").roots}
}

func cardFile(t *testing.T, sizeBytes int) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "card.img")
	if err := os.WriteFile(path, bytes.Repeat([]byte{0xA5}, sizeBytes), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func openFile(t *testing.T, path string, o device.Options) *device.Card {
	t.Helper()
	c, err := device.Open(t.Context(), path, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := c.Close(); err != nil {
			t.Error(err)
		}
	})
	return c
}

// mustRefuse fails unless the target is refused with a reason and the sentinel.
func mustRefuse(t *testing.T, path string, o device.Options, want error) {
	t.Helper()
	c, err := device.Open(t.Context(), path, o)
	if err == nil {
		_ = c.Close()
		t.Fatalf("%s was opened", path)
	}
	var r *device.Refusal
	if !errors.As(err, &r) || len(r.Reasons) == 0 || !errors.Is(err, want) {
		t.Fatalf("%s: %v (%T) is no refusal with a reason that wraps %v", path, err, err, want)
	}
}

func TestFileConforms(t *testing.T) {
	conform.Card(t, func(t *testing.T) flash.Card { return openFile(t, cardFile(t, 8<<20), plainMachine(t)) })
}

func TestFileCardKeepsWhatIsWrittenAndItsLength(t *testing.T) {
	for _, sizeBytes := range []int{1, 511, 512, 513, 4097, 1 << 20} {
		path := cardFile(t, sizeBytes)
		c := openFile(t, path, plainMachine(t))
		if c.SizeBytes() != int64(sizeBytes) || c.SectorBytes() != 1 || c.Direct() {
			t.Fatalf("%d bytes: size %d, sector %d, direct %v", sizeBytes, c.SizeBytes(), c.SectorBytes(), c.Direct())
		}
		half := sizeBytes / 2
		want := bytes.Repeat([]byte{0x3C}, sizeBytes-half)
		if _, err := c.WriteAt(want, int64(half)); err != nil {
			t.Fatal(err)
		}
		if err := c.Flush(); err != nil {
			t.Fatal(err)
		}
		got := make([]byte, len(want))
		if _, err := c.ReadAt(got, int64(half)); err != nil || !bytes.Equal(got, want) {
			t.Errorf("%d bytes: what was written is not read back: %v", sizeBytes, err)
		}
		if err := c.Recheck(); err != nil {
			t.Error(err)
		}
		onDisk, err := os.ReadFile(path)
		if err != nil || !bytes.Equal(onDisk, append(bytes.Repeat([]byte{0xA5}, half), want...)) {
			t.Errorf("%d bytes: the file holds something else: %v", sizeBytes, err)
		}
	}
}

func TestFileCardIsNeverGrown(t *testing.T) {
	path := cardFile(t, 1000)
	c := openFile(t, path, plainMachine(t))
	for _, offset := range []int64{-1, 999, 1000, 1 << 40, 1<<63 - 1} {
		if n, err := c.WriteAt([]byte("xy"), offset); n != 0 || !errors.Is(err, device.ErrOutside) {
			t.Errorf("write at %d: %d, %v", offset, n, err)
		}
		if n, err := c.ReadAt(make([]byte, 2), offset); n != 0 || !errors.Is(err, device.ErrOutside) {
			t.Errorf("read at %d: %d, %v", offset, n, err)
		}
	}
	if info, err := os.Stat(path); err != nil || info.Size() != 1000 {
		t.Errorf("the file has %d bytes now: %v", info.Size(), err)
	}
}

func TestFileCardSaysThatItsCacheStays(t *testing.T) {
	c := openFile(t, cardFile(t, 1000), plainMachine(t))
	if err := c.DropCache(); !errors.Is(err, device.ErrCacheNotDropped) {
		t.Errorf("DropCache: %v", err)
	}
	if err := c.RereadTable(); !errors.Is(err, device.ErrNoTable) {
		t.Errorf("RereadTable: %v", err)
	}
}

func TestReadOnlyFileCardTakesNoWrites(t *testing.T) {
	o := plainMachine(t)
	o.ReadOnly = true
	path := cardFile(t, 1000)
	c := openFile(t, path, o)
	if _, err := c.WriteAt([]byte("x"), 0); !errors.Is(err, flash.ErrReadOnly) {
		t.Errorf("WriteAt: %v", err)
	}
	openFile(t, path, o) // two may read
	mustRefuse(t, path, plainMachine(t), device.ErrBusy)
}

func TestFileCardIsHeldAlone(t *testing.T) {
	o := plainMachine(t)
	path := cardFile(t, 1000)
	c, err := device.Open(t.Context(), path, o)
	if err != nil {
		t.Fatal(err)
	}
	mustRefuse(t, path, o, device.ErrBusy)
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
	if err := c.Close(); err != nil {
		t.Errorf("a second Close: %v", err)
	}
	openFile(t, path, o)
}

func TestRecheckSeesAnotherFileOrLength(t *testing.T) {
	for name, change := range map[string]func(path string) error{
		"grown":   func(path string) error { return os.Truncate(path, 2000) },
		"cut":     func(path string) error { return os.Truncate(path, 10) },
		"renamed": func(path string) error { return os.Rename(path, path+".old") },
		"replaced": func(path string) error {
			if err := os.Rename(path, path+".old"); err != nil {
				return err
			}
			return os.WriteFile(path, make([]byte, 1000), 0o644)
		},
	} {
		path := cardFile(t, 1000)
		c := openFile(t, path, plainMachine(t))
		if err := c.Recheck(); err != nil {
			t.Fatalf("before it is %s: %v", name, err)
		}
		if err := change(path); err != nil {
			t.Fatal(err)
		}
		if err := c.Recheck(); !errors.Is(err, device.ErrChanged) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestShortFileIsAnErrorNotFewerBytes(t *testing.T) {
	path := cardFile(t, 1000)
	c := openFile(t, path, plainMachine(t))
	if err := os.Truncate(path, 10); err != nil {
		t.Fatal(err)
	}
	if n, err := c.ReadAt(make([]byte, 100), 0); err == nil || n > 10 {
		t.Errorf("%d bytes, %v", n, err)
	}
}

func TestFileCardHoldsOnlyItself(t *testing.T) {
	o := plainMachine(t)
	path := cardFile(t, 1000)
	c := openFile(t, path, o)
	link := filepath.Join(t.TempDir(), "link")
	if err := os.Symlink(path, link); err != nil {
		t.Fatal(err)
	}
	for other, want := range map[string]bool{path: true, link: true, cardFile(t, 1000): false, filepath.Join(t.TempDir(), "new"): false} {
		if got, err := c.Holds(other); err != nil || got != want {
			t.Errorf("%s: %v, %v", other, got, err)
		}
	}
}

func TestFileCardDescribesItself(t *testing.T) {
	path := cardFile(t, 4096)
	d := openFile(t, path, plainMachine(t)).Description()
	if d.Kind != device.KindFile || d.SizeBytes != 4096 || d.SectorBytes != 1 || d.Contents != "data, but no known partition table or file system" || len(d.MountedAt) != 0 {
		t.Errorf("%+v", d)
	}
	blank := filepath.Join(t.TempDir(), "blank.img")
	if err := os.WriteFile(blank, make([]byte, 4096), 0o600); err != nil {
		t.Fatal(err)
	}
	if d := openFile(t, blank, plainMachine(t)).Description(); d.Contents != "nothing, as far as its first 1 MiB tells" {
		t.Errorf("zeros: %q", d.Contents)
	}
}

func TestFileTakesNoDiscard(t *testing.T) {
	path := cardFile(t, 1<<20)
	if err := openFile(t, path, plainMachine(t)).Discard(0, 1<<20); !errors.Is(err, flash.ErrNoDiscard) {
		t.Error(err)
	}
	if held, err := os.ReadFile(path); err != nil || !bytes.Equal(held, bytes.Repeat([]byte{0xA5}, 1<<20)) {
		t.Errorf("the file was changed: %v", err)
	}
}
