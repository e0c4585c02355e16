//go:build device

package blockdev_test

import (
	"bytes"
	"crypto/sha256"
	"os"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/internal/cardlab/blockdev"
	"cardwright/internal/cardlab/conform"
)

// A directDevice is the least of a flash.Card over an open block device.
type directDevice struct {
	*os.File
	traits cardlab.Traits
}

func (d directDevice) Flush() error     { return d.Sync() }
func (d directDevice) DropCache() error { return nil } // opened past it
func (d directDevice) SizeBytes() int64 { return d.traits.SizeBytes }
func (d directDevice) SectorBytes() int { return d.traits.SectorBytes }
func (d directDevice) Direct() bool     { return true }

func TestNodeConforms(t *testing.T) {
	for name, traits := range map[string]cardlab.Traits{
		"SmallSectors": {SizeBytes: 16<<20 + 512, SectorBytes: 512},
		"LargeSectors": {SizeBytes: 16 << 20, SectorBytes: 4096},
	} {
		t.Run(name, func(t *testing.T) {
			conform.Card(t, func(t *testing.T) flash.Card {
				_, node := attach(t, traits)
				return directDevice{openDirect(t, node), traits}
			})
		})
	}
}

// TestNodeStatesItsShape asks the kernel.
func TestNodeStatesItsShape(t *testing.T) {
	_, node := attach(t, cardlab.Traits{SizeBytes: 64 << 30, SectorBytes: 4096})
	file := openDirect(t, node)
	size, err := unix.IoctlGetInt(int(file.Fd()), unix.BLKGETSIZE64)
	if err != nil || size != 64<<30 {
		t.Errorf("the kernel says %d bytes: %v", size, err)
	}
	sector, err := unix.IoctlGetInt(int(file.Fd()), unix.BLKSSZGET)
	if err != nil || sector != 4096 {
		t.Errorf("the kernel says sectors of %d bytes: %v", sector, err)
	}
}

// TestNodeWritesReachTheMedium hashes what was sent, and apart from that what the medium holds.
func TestNodeWritesReachTheMedium(t *testing.T) {
	card, node := attach(t, cardlab.Traits{SizeBytes: 256 << 20, OldContent: true, Seed: 9})
	file := openDirect(t, node)
	sum := sha256.New()
	const blocks, start = 9, 512 * 2049
	for i := range int64(blocks) {
		p := pattern(flash.BlockBytes, uint64(i))
		sum.Write(p)
		if n, err := file.WriteAt(p, start+i*flash.BlockBytes); err != nil || n != len(p) {
			t.Fatalf("block %d: %d bytes, %v", i, n, err)
		}
	}
	if card.Truth().UnsyncedBytes() == 0 {
		t.Error("written bytes count as synced before any flush")
	}
	flushes := card.Counts().Flushes
	if err := file.Sync(); err != nil {
		t.Fatal(err)
	}
	if card.Counts().Flushes <= flushes || card.Truth().UnsyncedBytes() != 0 {
		t.Error("a flush of the block device did not reach the card")
	}
	if got := card.Truth().Digest(start, blocks*flash.BlockBytes); got != flash.Digest(sum.Sum(nil)) {
		t.Error("the medium holds something else than was written")
	}
	want := cardlab.Span{OffsetBytes: start, LengthBytes: blocks * flash.BlockBytes}
	if written := card.Truth().Written(); len(written) != 1 || written[0] != want {
		t.Errorf("written: %v; want %v", written, want)
	}
}

// TestNodeReadsComeFromTheCard changes the medium behind the kernel's back: a cache on the way would not see it.
func TestNodeReadsComeFromTheCard(t *testing.T) {
	card, node := attach(t, cardlab.Traits{SizeBytes: 64 << 20})
	file := openDirect(t, node)
	p := conform.Buffer(flash.BlockBytes)
	for round := range 3 {
		behind := pattern(flash.BlockBytes, uint64(round+100))
		if _, err := card.WriteAt(behind, 0); err != nil {
			t.Fatal(err)
		}
		before := card.Counts().ReadBytes
		if _, err := file.ReadAt(p, 0); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(p, behind) {
			t.Errorf("round %d: the read is stale", round)
		}
		if moved := card.Counts().ReadBytes - before; moved != flash.BlockBytes {
			t.Errorf("round %d: the card gave %d bytes for a read of %d", round, moved, flash.BlockBytes)
		}
	}
}

// TestNodeStartsUntouched expects that the kernel's look for a partition table is no part of the card's life.
func TestNodeStartsUntouched(t *testing.T) {
	card, _ := attach(t, cardlab.Traits{SizeBytes: 64 << 20, Bad: []cardlab.BadRange{{Span: cardlab.Span{LengthBytes: 4096}, Read: true}}})
	if counts := card.Counts(); counts != (cardlab.Counts{}) {
		t.Errorf("a card that was just attached counts %+v", counts)
	}
}

// TestNodeRereadsItsTable asks for what the kernel refuses where a disk can have no partitions. It does not look for
// partitions: not every kernel is built to find them.
func TestNodeRereadsItsTable(t *testing.T) {
	_, node := attach(t, cardlab.Traits{SizeBytes: 64 << 20})
	file := openDirect(t, node)
	if err := unix.IoctlSetInt(int(file.Fd()), unix.BLKRRPART, 0); err != nil {
		t.Error(err)
	}
}

// TestNodesLiveSideBySide attaches several at once, as each races for a free loop device.
func TestNodesLiveSideBySide(t *testing.T) {
	const nodes = 6
	var group sync.WaitGroup
	paths := make([]string, nodes)
	for i := range nodes {
		group.Go(func() {
			card, err := cardlab.New(cardlab.Traits{SizeBytes: 16 << 20})
			if err != nil {
				t.Error(err)
				return
			}
			node, err := blockdev.Attach(t.Context(), card)
			if err != nil {
				t.Error(err)
				return
			}
			closeAfter(t, node)
			paths[i] = node.Path()
			file, err := os.OpenFile(node.Path(), os.O_RDWR|unix.O_DIRECT, 0)
			if err != nil {
				t.Error(err)
				return
			}
			defer file.Close()
			p := pattern(flash.BlockBytes, uint64(i))
			if _, err := file.WriteAt(p, 0); err != nil {
				t.Error(err)
			}
			if !bytes.Equal(card.Truth().Read(0, len(p)), p) {
				t.Errorf("card %d holds what was meant for another", i)
			}
		})
	}
	group.Wait()
	seen := make(map[string]bool)
	for _, path := range paths {
		if seen[path] {
			t.Errorf("two cards at %s", path)
		}
		seen[path] = true
	}
}

// TestNodeCloseWaitsForOtherHolders closes the node while another descriptor holds the device: the kernel keeps it until
// that one closes too.
func TestNodeCloseWaitsForOtherHolders(t *testing.T) {
	_, node := attach(t, cardlab.Traits{SizeBytes: 16 << 20})
	file := openDirect(t, node)
	closed := make(chan error, 1)
	go func() { closed <- node.Close() }()
	select {
	case err := <-closed:
		t.Fatalf("closed while the device is held: %v", err)
	case <-time.After(100 * time.Millisecond):
	}
	if err := file.Close(); err != nil {
		t.Fatal(err)
	}
	if err := <-closed; err != nil {
		t.Errorf("close: %v", err)
	}
	if err := node.Close(); err != nil {
		t.Errorf("the second close: %v", err)
	}
}
