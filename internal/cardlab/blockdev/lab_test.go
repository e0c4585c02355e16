//go:build device

// Package blockdev_test tries the emulated card as a block device of the kernel. It needs root, /dev/fuse and
// /dev/loop-control; where one is missing it fails.
package blockdev_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"cardwright/internal/cardlab"
	"cardwright/internal/cardlab/blockdev"
	"cardwright/internal/cardlab/conform"
)

// attach makes a card, attaches it, and makes sure that nothing of it is left afterwards.
func attach(t *testing.T, traits cardlab.Traits) (*cardlab.Card, *blockdev.Node) {
	t.Helper()
	card, err := cardlab.New(traits)
	if err != nil {
		t.Fatal(err)
	}
	node, err := blockdev.Attach(t.Context(), card)
	if err != nil {
		t.Fatal(err)
	}
	closeAfter(t, node)
	return card, node
}

// closeAfter closes the node when the test is over, and looks where the kernel lists attached loop devices and mounts.
func closeAfter(t *testing.T, node *blockdev.Node) {
	t.Helper()
	list := filepath.Join("/sys/block", filepath.Base(node.Path()), "loop/backing_file")
	held, err := os.ReadFile(list)
	if err != nil {
		t.Errorf("the kernel lists no file under %s: %v", node.Path(), err)
	}
	backing := strings.TrimSpace(string(held))
	t.Cleanup(func() {
		if err := node.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
		if held, err := os.ReadFile(list); err == nil && strings.HasPrefix(string(held), backing) {
			t.Errorf("%s is still attached to %s", node.Path(), held)
		}
		mounts, err := os.ReadFile("/proc/self/mountinfo")
		if err != nil || strings.Contains(string(mounts), filepath.Dir(backing)) {
			t.Errorf("%s is still mounted: %v", filepath.Dir(backing), err)
		}
		if _, err := os.Stat(filepath.Dir(backing)); !os.IsNotExist(err) {
			t.Errorf("the folder %s is left: %v", filepath.Dir(backing), err)
		}
	})
}

// openDirect opens the device past the page cache, as the program under test does.
func openDirect(t *testing.T, node *blockdev.Node) *os.File {
	t.Helper()
	file, err := os.OpenFile(node.Path(), os.O_RDWR|unix.O_DIRECT, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = file.Close() }) // a test that closes it itself is free to
	return file
}

// timed gives how long work took.
func timed(work func()) time.Duration {
	begin := time.Now()
	work()
	return time.Since(begin)
}

// pattern fills an aligned buffer with bytes that differ from place to place.
func pattern(lengthBytes int, seed uint64) []byte {
	p := conform.Buffer(lengthBytes)
	x := seed
	for i := range p {
		x = x*6364136223846793005 + 1442695040888963407
		p[i] = byte(x >> 56)
	}
	return p
}
