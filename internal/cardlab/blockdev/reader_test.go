//go:build device

package blockdev_test

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/internal/cardlab/blockdev"
	"cardwright/internal/cardlab/conform"
)

// place makes a reader, and makes sure that nothing of it is left afterwards.
func place(t *testing.T) *blockdev.Reader {
	t.Helper()
	reader, err := blockdev.NewReader(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := errors.Join(reader.Close(), reader.Close()); err != nil {
			t.Errorf("close: %v", err)
		}
		if _, err := os.Stat("/sys/block/" + filepath.Base(reader.Path())); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("%s is still there: %v", reader.Path(), err)
		}
	})
	return reader
}

func newCard(t *testing.T, traits cardlab.Traits) *cardlab.Card {
	t.Helper()
	card, err := cardlab.New(traits)
	if err != nil {
		t.Fatal(err)
	}
	return card
}

func seat(t *testing.T, reader *blockdev.Reader, card *cardlab.Card) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	if err := reader.Seat(ctx, card); err != nil {
		t.Fatal(err)
	}
}

func pull(t *testing.T, reader *blockdev.Reader) {
	t.Helper()
	if err := reader.Pull(); err != nil {
		t.Fatal(err)
	}
}

// told gives a number of the reader's device as sysfs tells it (Documentation/ABI/stable/sysfs-block).
func told(t *testing.T, reader *blockdev.Reader, attribute string) uint64 {
	t.Helper()
	content, err := os.ReadFile(filepath.Join("/sys/block", filepath.Base(reader.Path()), attribute))
	if err != nil {
		t.Fatal(err)
	}
	number, err := strconv.ParseUint(strings.TrimSpace(string(content)), 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	return number
}

// holding opens the device past the page cache, and closes it in the end if the test does not.
func holding(t *testing.T, reader *blockdev.Reader) *os.File {
	t.Helper()
	file, err := os.OpenFile(reader.Path(), os.O_RDWR|unix.O_DIRECT|unix.O_EXCL, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = file.Close() })
	return file
}

// TestReaderTakesCardAfterCard seats cards of several sizes in a row; what is written goes to the one that is in it.
func TestReaderTakesCardAfterCard(t *testing.T) {
	reader := place(t)
	if size := told(t, reader, "size"); size != 0 {
		t.Errorf("an empty reader tells a size of %d sectors", size)
	}
	seq := told(t, reader, "diskseq")
	for i := range int64(4) {
		card := newCard(t, cardlab.Traits{SizeBytes: (16 + i) << 20})
		seat(t, reader, card)
		if got := told(t, reader, "size") * 512; got != uint64(card.SizeBytes()) {
			t.Errorf("card %d: the kernel tells %d bytes", i, got)
		}
		now := told(t, reader, "diskseq")
		if now <= seq {
			t.Errorf("card %d: the count of media was %d and is %d", i, seq, now)
		}
		seq = now
		if counts := card.Counts(); counts != (cardlab.Counts{}) {
			t.Errorf("card %d: just seated, it counts %+v", i, counts)
		}
		file, p := holding(t, reader), pattern(flash.BlockBytes, uint64(i))
		if _, err := file.WriteAt(p, 0); err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(file.Sync(), file.Close()); err != nil {
			t.Fatal(err)
		}
		pull(t, reader)
		if size := told(t, reader, "size"); size != 0 {
			t.Errorf("card %d: it was pulled, and %d sectors are left", i, size)
		}
		if !bytes.Equal(card.Truth().Read(0, len(p)), p) {
			t.Errorf("card %d does not hold what was written to it", i)
		}
	}
}

// TestReaderTakesTheSameCardAgain pulls a card with unsynced bytes and seats it again.
func TestReaderTakesTheSameCardAgain(t *testing.T) {
	reader, card := place(t), newCard(t, cardlab.Traits{SizeBytes: 16 << 20})
	seat(t, reader, card)
	file := holding(t, reader)
	synced, lost := pattern(4096, 1), pattern(4096, 2)
	if _, err := file.WriteAt(synced, 0); err != nil {
		t.Fatal(err)
	}
	if err := file.Sync(); err != nil {
		t.Fatal(err)
	}
	if _, err := file.WriteAt(lost, 4096); err != nil {
		t.Fatal(err)
	}
	pull(t, reader)
	if err := file.Close(); err != nil {
		t.Fatal(err)
	}
	seat(t, reader, card)
	back := conform.Buffer(8192)
	if _, err := holding(t, reader).ReadAt(back, 0); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(back[:4096], synced) || bytes.Equal(back[4096:], lost) {
		t.Error("the card lost what was synced, or kept what was not")
	}
}

// TestReaderPulledWhileHeld pulls under an open descriptor, which must not reach the next card.
func TestReaderPulledWhileHeld(t *testing.T) {
	reader, first := place(t), newCard(t, cardlab.Traits{SizeBytes: 16 << 20})
	seat(t, reader, first)
	file, p := holding(t, reader), pattern(4096, 1)
	before := told(t, reader, "diskseq")
	if took := timed(func() { pull(t, reader) }); took > time.Second {
		t.Errorf("pulling took %v", took)
	}
	for name, call := range map[string]func() error{
		"read":  func() error { _, err := file.ReadAt(p, 0); return err },
		"write": func() error { _, err := file.WriteAt(p, 0); return err },
		"flush": file.Sync,
	} {
		if err := call(); !errors.Is(err, unix.EIO) {
			t.Errorf("%s of a pulled card: %v", name, err)
		}
	}
	if counts := first.Counts(); counts.WrittenBytes != 0 {
		t.Errorf("a pulled card took %d bytes", counts.WrittenBytes)
	}
	second := newCard(t, cardlab.Traits{SizeBytes: 32 << 20})
	short, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if err := reader.Empty(short); !errors.Is(err, unix.EBUSY) || !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("waiting for a held device: %v", err)
	}
	if err := reader.Seat(short, second); !errors.Is(err, unix.EBUSY) {
		t.Errorf("a card seated in a held device: %v", err)
	}
	seated := make(chan error, 1)
	go func() { seated <- reader.Seat(t.Context(), second) }()
	select {
	case err := <-seated:
		t.Fatalf("seated while the device is held: %v", err)
	case <-time.After(100 * time.Millisecond):
	}
	if err := file.Close(); err != nil {
		t.Fatal(err)
	}
	if err := <-seated; err != nil {
		t.Fatal(err)
	}
	if now := told(t, reader, "diskseq"); now <= before {
		t.Errorf("the count of media was %d and is %d", before, now)
	}
}

// TestReaderPullReleasesWhatHangs leaves a write hanging in the kernel.
func TestReaderPullReleasesWhatHangs(t *testing.T) {
	reader := place(t)
	seat(t, reader, newCard(t, cardlab.Traits{SizeBytes: 64 << 20, SilentAfter: cardlab.After{WrittenBytes: 1 << 20}}))
	file := holding(t, reader)
	failed := make(chan error, 1)
	go func() {
		_, err := file.WriteAt(pattern(flash.BlockBytes, 1), 0)
		failed <- err
	}()
	select {
	case err := <-failed:
		t.Fatalf("the write of a silent card returned: %v", err)
	case <-time.After(300 * time.Millisecond):
	}
	pull(t, reader)
	if err := <-failed; !errors.Is(err, unix.EIO) {
		t.Errorf("the hanging write ended with %v", err)
	}
	if err := file.Close(); err != nil {
		t.Fatal(err)
	}
	if err := reader.Empty(t.Context()); err != nil {
		t.Error(err)
	}
}

// TestReadersKeepTheirPlaces has several readers side by side, none of which a node is attached to while it is empty.
func TestReadersKeepTheirPlaces(t *testing.T) {
	first, second := place(t), place(t)
	_, node := attach(t, cardlab.Traits{SizeBytes: 16 << 20})
	if first.Path() == second.Path() || node.Path() == first.Path() || node.Path() == second.Path() {
		t.Errorf("two of %s, %s and %s are one", first.Path(), second.Path(), node.Path())
	}
	where := first.Path()
	seat(t, first, newCard(t, cardlab.Traits{SizeBytes: 16 << 20}))
	if err := first.Seat(t.Context(), newCard(t, cardlab.Traits{SizeBytes: 16 << 20})); !errors.Is(err, blockdev.ErrSeated) {
		t.Errorf("a second card in one reader: %v", err)
	}
	pull(t, first)
	pull(t, first)
	if first.Path() != where {
		t.Errorf("the reader was %s and is %s", where, first.Path())
	}
}
