package blockdev

import (
	"context"
	"errors"
	"sync"
	"time"

	"cardwright/internal/cardlab"
)

// closePatience is how long closing may take before the card is released, and with it all that hangs.
const closePatience = 3 * time.Second

// A Node is a card as a block device of the kernel.
type Node struct {
	backing *backing
	loop    loopDevice

	once sync.Once
	err  error // of Close
}

// Attach shows a card to the kernel as a block device: a FUSE file under a loop device, both of them past any cache. It
// needs root, /dev/fuse and /dev/loop-control. What the kernel reads to look for a partition table meanwhile neither
// counts nor fails. The context bounds attaching alone; the node lasts until Close.
func Attach(ctx context.Context, card *cardlab.Card) (*Node, error) {
	file, err := newBacking(card)
	if err != nil {
		return nil, err
	}
	loop, err := attachLoop(ctx, file.path(), card.SectorBytes())
	if err != nil {
		return nil, errors.Join(err, file.unmount())
	}
	file.file.live.Store(true)
	return &Node{backing: file, loop: loop}, nil
}

// Path is the block device, such as /dev/loop7.
func (n *Node) Path() string { return n.loop.path() }

// Close takes the block device away and ends all that belongs to it. A card that is silent, or too slow to let the device
// go, is released for it. The card itself stays, with its truth. Closing twice is fine. An error that wraps EBUSY says that
// another program holds the device open; it then goes when that program closes it.
func (n *Node) Close() error {
	n.once.Do(func() {
		card := n.backing.file.card
		if !card.Bus().Answers() {
			card.Release()
		}
		release := time.AfterFunc(closePatience, card.Release)
		defer release.Stop()
		n.err = errors.Join(n.loop.detach(), n.backing.unmount())
	})
	return n.err
}
