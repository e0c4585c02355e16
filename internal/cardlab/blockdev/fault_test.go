//go:build device

package blockdev_test

import (
	"bytes"
	"context"
	"errors"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/internal/cardlab/blockdev"
	"cardwright/internal/cardlab/conform"
)

func TestNodeReportsBadRanges(t *testing.T) {
	const badBytes = 5 << 20
	_, node := attach(t, cardlab.Traits{SizeBytes: 64 << 20, Bad: []cardlab.BadRange{
		{Span: cardlab.Span{OffsetBytes: badBytes, LengthBytes: 4096}, Read: true},
		{Span: cardlab.Span{OffsetBytes: 4 * badBytes, LengthBytes: 4096}, Write: true},
	}})
	file := openDirect(t, node)
	p := pattern(4096, 1)
	if _, err := file.WriteAt(p, badBytes); err != nil {
		t.Errorf("write where only reads fail: %v", err)
	}
	if _, err := file.ReadAt(p, badBytes); !errors.Is(err, unix.EIO) {
		t.Errorf("read of the bad range: %v", err)
	}
	if _, err := file.ReadAt(p, badBytes+4096); err != nil {
		t.Errorf("read behind the bad range: %v", err)
	}
	if _, err := file.WriteAt(p, 4*badBytes); !errors.Is(err, unix.EIO) {
		t.Errorf("write of the bad range: %v", err)
	}
	if _, err := file.ReadAt(p, 4*badBytes); err != nil {
		t.Errorf("read where only writes fail: %v", err)
	}
}

// TestNodeReportsABadPlaceAnywhereInAWrite has writes that the kernel cuts into requests of several lengths, each with its
// bad place elsewhere.
func TestNodeReportsABadPlaceAnywhereInAWrite(t *testing.T) {
	const blocks, step = 64, flash.BlockBytes / 64
	traits := cardlab.Traits{SizeBytes: (blocks + 1) * flash.BlockBytes}
	for i := range int64(blocks) {
		traits.Bad = append(traits.Bad, cardlab.BadRange{
			Span: cardlab.Span{OffsetBytes: i*flash.BlockBytes + i*step, LengthBytes: 4096}, Read: true, Write: true,
		})
	}
	_, node := attach(t, traits)
	file := openDirect(t, node)
	p := pattern(flash.BlockBytes, 1)
	for i := range int64(blocks) {
		if _, err := file.WriteAt(p, i*flash.BlockBytes); !errors.Is(err, unix.EIO) {
			t.Errorf("write with a bad place %d bytes in: %v", i*step, err)
		}
		if _, err := file.ReadAt(p, i*flash.BlockBytes); !errors.Is(err, unix.EIO) {
			t.Errorf("read with a bad place %d bytes in: %v", i*step, err)
		}
	}
	if _, err := file.WriteAt(p, blocks*flash.BlockBytes); err != nil {
		t.Errorf("write of a good block: %v", err)
	}
}

func TestNodeWraps(t *testing.T) {
	const trueBytes = 12 << 20
	card, node := attach(t, cardlab.Traits{SizeBytes: 64 << 20, TrueSizeBytes: trueBytes})
	file := openDirect(t, node)
	p, back := pattern(flash.BlockBytes, 1), conform.Buffer(flash.BlockBytes)
	if _, err := file.WriteAt(p, 3*trueBytes+flash.BlockBytes); err != nil {
		t.Fatal(err)
	}
	if _, err := file.ReadAt(back, flash.BlockBytes); err != nil || !bytes.Equal(p, back) {
		t.Errorf("what was written past the true size is not found below it: %v", err)
	}
	if !bytes.Equal(card.Truth().Read(flash.BlockBytes, len(p)), p) {
		t.Error("the medium does not hold it")
	}
}

func TestNodeTurnsReadOnly(t *testing.T) {
	card, node := attach(t, cardlab.Traits{SizeBytes: 64 << 20, ReadOnlyAfterBytes: 1 << 20})
	file := openDirect(t, node)
	if _, err := file.WriteAt(pattern(1<<20, 1), 0); err != nil {
		t.Fatal(err)
	}
	if _, err := file.WriteAt(pattern(4096, 1), 1<<20); err == nil {
		t.Error("a card that takes no writes took one")
	}
	if got := card.Counts().WrittenBytes; got != 1<<20 {
		t.Errorf("the card took %d bytes", got)
	}
}

func TestNodeVanishes(t *testing.T) {
	card, node := attach(t, cardlab.Traits{SizeBytes: 64 << 20, GoneAfter: cardlab.After{WrittenBytes: 6 << 20}})
	file := openDirect(t, node)
	p := pattern(flash.BlockBytes, 1)
	if _, err := file.WriteAt(p, 0); err != nil {
		t.Fatal(err)
	}
	if _, err := file.WriteAt(p, flash.BlockBytes); err == nil {
		t.Error("a write past the card's end of life succeeded")
	}
	if _, err := file.ReadAt(p, 0); err == nil {
		t.Error("a read of a vanished card succeeded")
	}
	if err := file.Sync(); err == nil {
		t.Error("a flush of a vanished card succeeded")
	}
	if got := card.Counts().WrittenBytes; got != 6<<20 {
		t.Errorf("the card took %d bytes", got)
	}
}

// TestNodeClosesThoughTheCardHangs leaves a write hanging in the kernel and closes the node.
func TestNodeClosesThoughTheCardHangs(t *testing.T) {
	_, node := attach(t, cardlab.Traits{SizeBytes: 64 << 20, SilentAfter: cardlab.After{WrittenBytes: 1 << 20}})
	file := openDirect(t, node)
	failed := make(chan error, 1)
	go func() {
		_, err := file.WriteAt(pattern(flash.BlockBytes, 1), 0)
		failed <- errors.Join(err, file.Close())
	}()
	select {
	case err := <-failed:
		t.Fatalf("the write of a silent card returned: %v", err)
	case <-time.After(300 * time.Millisecond):
	}
	if err := node.Close(); err != nil {
		t.Errorf("close: %v", err)
	}
	if err := <-failed; !errors.Is(err, unix.EIO) && !errors.Is(err, unix.ENODEV) {
		t.Errorf("the hanging write ended with %v", err)
	}
}

// TestAttachGivesUpCleanly cancels before anything was attached.
func TestAttachGivesUpCleanly(t *testing.T) {
	card, err := cardlab.New(cardlab.Traits{SizeBytes: 16 << 20})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := blockdev.Attach(ctx, card); !errors.Is(err, context.Canceled) {
		t.Errorf("attach under a cancelled context: %v", err)
	}
}
