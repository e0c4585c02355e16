package verify_test

import (
	"testing"

	"cardwright/flash"
	"cardwright/verify"
)

// A blank card reads as zeros.
type blank struct{ flash.Card }

func (blank) ReadAt(p []byte, _ int64) (int, error) { clear(p); return len(p), nil }
func (blank) SizeBytes() int64                      { return 1 << 40 }
func (blank) SectorBytes() int                      { return 512 }

// TestBlocksAllocateNothing compares the proof of a card with one of more blocks.
func TestBlocksAllocateNothing(t *testing.T) {
	allocations := func(blocks int) float64 {
		m := &flash.Manifest{}
		zeros := make([]byte, block)
		for range blocks {
			m.Append(zeros)
		}
		return testing.AllocsPerRun(1, func() {
			proof, err := verify.Prove(t.Context(), blank{}, m, true)
			if err != nil || len(proof.Damage) > 0 || proof.Bytes != m.ImageBytes {
				t.Error(proof, err)
			}
		})
	}
	const few, many = 20, 120
	if perBlock := (allocations(many) - allocations(few)) / (many - few); perBlock > 0.1 {
		t.Errorf("a block costs %.2f allocations", perBlock)
	}
}
