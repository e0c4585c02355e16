package main

import (
	"bytes"
	"slices"
	"testing"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/partition"
)

// holds tells whether the card holds the image, but for what is left out.
func (w *walker) holds(card *cardlab.Card, image []byte) bool {
	held, want := card.Truth().Read(0, walkedBytes), slices.Clone(image)
	for _, r := range w.free {
		clear(held[r.OffsetBytes:r.EndBytes()])
		clear(want[r.OffsetBytes:r.EndBytes()])
	}
	return bytes.Equal(held, want)
}

// TestWalkWithFreeSpaceLeftOut is the same walk where the image's second block is free, and discarded before writing.
func TestWalkWithFreeSpaceLeftOut(t *testing.T) {
	image, walked := walkedImage(), 0
	free := []partition.Range{{OffsetBytes: flash.BlockBytes, LengthBytes: flash.BlockBytes}}
	for _, a := range ailments() {
		walked += a.walk(t, func(t *testing.T, w *walker) bool {
			w.free = free
			return walkOnce(t, image, w)
		})
	}
	t.Logf("positions walked with free space left out: %d", walked)
}
