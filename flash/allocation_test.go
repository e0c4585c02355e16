package flash_test

import (
	"testing"

	"cardwright/flash"
)

// A bottomless card takes everything and keeps nothing.
type bottomless struct{}

func (bottomless) ReadAt(p []byte, _ int64) (int, error)  { return len(p), nil }
func (bottomless) WriteAt(p []byte, _ int64) (int, error) { return len(p), nil }
func (bottomless) Flush() error                           { return nil }
func (bottomless) DropCache() error                       { return nil }
func (bottomless) SizeBytes() int64                       { return 1 << 40 }
func (bottomless) SectorBytes() int                       { return 512 }
func (bottomless) Direct() bool                           { return true }

// TestBlocksAllocateNothing compares a run with one of more blocks. What grows with the number of blocks, the digests and the
// samples, is allocated anew only as often as it doubles.
func TestBlocksAllocateNothing(t *testing.T) {
	allocations := func(blocks int64) float64 {
		return testing.AllocsPerRun(1, func() {
			_, outcomes, err := writeAll(t.Context(), limited(blocks*flash.BlockBytes), flash.Judge{}, bottomless{}, bottomless{})
			if err != nil || outcomes[0].err != nil || outcomes[1].err != nil {
				t.Error(err, outcomes[0].err, outcomes[1].err)
			}
		})
	}
	const few, many = 40, 160
	if perBlock := (allocations(many) - allocations(few)) / (many - few); perBlock > 0.2 {
		t.Errorf("a block costs %.2f allocations", perBlock)
	}
}
