//go:build device

package device_test

import (
	"testing"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/internal/cardlab/blockdev"
	"cardwright/internal/cardlab/conform"
	"cardwright/internal/device"
)

func TestLiveDiskConforms(t *testing.T) {
	for _, sectorBytes := range []int{512, 4096} {
		conform.Card(t, func(t *testing.T) flash.Card {
			lab, err := cardlab.New(cardlab.Traits{SizeBytes: 16 << 20, SectorBytes: sectorBytes, OldContent: true})
			if err != nil {
				t.Fatal(err)
			}
			node, err := blockdev.Attach(t.Context(), lab)
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() {
				if err := node.Close(); err != nil {
					t.Error(err)
				}
			})
			return openLive(t, node.Path(), device.Options{Policy: device.Policy{FixedOK: true}})
		})
	}
}
