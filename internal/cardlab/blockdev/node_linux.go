package blockdev

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/hanwen/go-fuse/v2/fuse"
	"golang.org/x/sys/unix"

	"cardwright/internal/cardlab"
)

// closePatience is how long closing may take before the card is released, and with it all that hangs.
const closePatience = 3 * time.Second

// A Node is a card as a block device of the kernel.
type Node struct {
	card   *cardlab.Card
	dir    string
	server *fuse.Server
	loop   loopDevice

	once sync.Once
	err  error // of Close
}

// Attach shows a card to the kernel as a block device: a FUSE file under a loop device, both of them past any cache. It
// needs root, /dev/fuse and /dev/loop-control. What the kernel reads to look for a partition table meanwhile neither
// counts nor fails. The context bounds attaching alone; the node lasts until Close.
func Attach(ctx context.Context, card *cardlab.Card) (*Node, error) {
	dir, err := os.MkdirTemp("", "cardlab")
	if err != nil {
		return nil, err
	}
	file := &cardFile{card: card}
	server, err := mountCard(dir, file)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("mount a FUSE folder: %w", err), os.Remove(dir))
	}
	loop, err := attachLoop(ctx, filepath.Join(dir, backingName), card.SectorBytes())
	node := &Node{card: card, dir: dir, server: server, loop: loop}
	if err != nil {
		return nil, errors.Join(err, node.unmount())
	}
	file.live.Store(true)
	return node, nil
}

// Path is the block device, such as /dev/loop7.
func (n *Node) Path() string { return n.loop.path() }

// Close takes the block device away and ends all that belongs to it. A card that is silent, or too slow to let the device
// go, is released for it. The card itself stays, with its truth. Closing twice is fine. An error that wraps EBUSY says that
// another program holds the device open; it then goes when that program closes it.
func (n *Node) Close() error {
	n.once.Do(func() {
		if !n.card.Bus().Answers() {
			n.card.Release()
		}
		release := time.AfterFunc(closePatience, n.card.Release)
		defer release.Stop()
		n.err = errors.Join(n.loop.detach(), n.unmount())
	})
	return n.err
}

// unmount ends the FUSE server and removes its folder. While a loop device still holds the file, the folder is at least
// taken out of sight, and the server ends with the device.
func (n *Node) unmount() error {
	err := n.server.Unmount()
	if errors.Is(err, unix.EBUSY) {
		err = unix.Unmount(n.dir, unix.MNT_DETACH)
	}
	if err != nil {
		return fmt.Errorf("unmount %s: %w", n.dir, err)
	}
	return os.Remove(n.dir)
}
