package job

import (
	"context"

	"cardwright/flash"
	"cardwright/partition"
)

// freeBlocks gives the image's blocks that lie wholly within free ranges, which are in order; nil where none does, or where the
// image's length is not known, which is 0. The first block and the last never are free.
func freeBlocks(ranges []partition.Range, imageBytes int64) []bool {
	if imageBytes <= 0 {
		return nil
	}
	blocks := (imageBytes + flash.BlockBytes - 1) / flash.BlockBytes
	free, some := make([]bool, blocks), false
	for i := 0; i < len(ranges); {
		start, end := ranges[i].OffsetBytes, ranges[i].EndBytes()
		for i++; i < len(ranges) && ranges[i].OffsetBytes == end; i++ { // one block may reach over several
			end = ranges[i].EndBytes()
		}
		first, after := (start+flash.BlockBytes-1)/flash.BlockBytes, end/flash.BlockBytes
		for b := max(1, first); b < min(after, blocks-1); b++ {
			free[b], some = true, true
		}
	}
	if !some {
		return nil
	}
	return free
}

// FreeBytes is how much of an image of this length is left out for these Options.Free.
func FreeBytes(ranges []partition.Range, imageBytes int64) (bytes int64) {
	for _, free := range freeBlocks(ranges, imageBytes) {
		if free {
			bytes += flash.BlockBytes
		}
	}
	return bytes
}

// discard tells the card what it need not keep, where free space is left out and the card can be told. That it fails is no
// failure: what lies there is the image's to say in neither case.
func (w *way) discard(ctx context.Context) {
	if w.pump.Free == nil {
		return
	}
	w.run.Conditions.Discard = w.writer.Discard(ctx, w.pump.Free) == nil
	w.keep(&w.run) // it is true also should the card be given up
}
