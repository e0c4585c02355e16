package partition

import "slices"

// extFree gives what the block bitmaps of an ext2, ext3 or ext4 file system mark as free, and nothing at all where any part of it
// cannot be trusted: its groups share one truth, and a file system that is wrong in one of them may be in others.
func extFree(v *volume) ([]span, error) {
	b, err := v.bytes(extSuperblockAt, 1024)
	if b == nil {
		return nil, err
	}
	layout, ok := decodeExtLayout(b, v.lengthBytes)
	if !ok {
		return nil, nil
	}
	x := &extReading{extLayout: layout, volume: v}
	for _, step := range []func() (bool, error){x.readGroups, x.readBitmaps} {
		if ok, err := step(); err != nil || !ok {
			return nil, err
		}
	}
	return x.found.whole(), nil
}

// An extReading is one reading of one file system's bitmaps.
type extReading struct {
	extLayout
	*volume
	descriptors []extGroup
	parts       []span // all structures, in blocks, by their starts; none overlap
	found       freeList
}

// block gives one block; nil where it is not in the volume.
func (x *extReading) block(number uint64) ([]byte, error) {
	return x.bytes(number*x.blockBytes, x.blockBytes)
}

// readGroups reads all descriptors, and the places of all structures.
func (x *extReading) readGroups() (ok bool, err error) {
	for number := uint64(0); number < x.groups; {
		held, err := x.block(x.descBlock(number / x.descPerBlock))
		if held == nil {
			return false, err
		}
		for ; len(held) > 0 && number < x.groups; number++ {
			descriptor := held[:x.descBytes]
			held = held[x.descBytes:]
			group := x.decodeGroup(number, descriptor)
			parts, within := x.structures(group)
			if !within || !x.sums.groupSound(number, descriptor) || group.unwritten && (!x.sums.known() || number == 0) {
				return false, nil
			}
			x.descriptors, x.parts = append(x.descriptors, group), append(x.parts, parts...)
		}
	}
	slices.SortFunc(x.parts, func(a, b span) int { return int(min(1, max(-1, a.start-b.start))) })
	for i := range x.parts {
		if i > 0 && x.parts[i].start < x.parts[i-1].end {
			return false, nil
		}
	}
	return true, nil
}

// readBitmaps takes the free runs of all groups, whose counts must be those that the file system keeps.
func (x *extReading) readBitmaps() (ok bool, err error) {
	left, free := x.parts, uint64(0)
	for _, g := range x.descriptors {
		start := x.start(g.number)
		count := min(x.perGroup, x.blocks-start)
		bitmap, err := x.bitmap(g)
		if bitmap == nil {
			return false, err
		}
		for len(left) > 0 && uint64(left[0].start) < start+count {
			from, to := uint64(max(left[0].start, int64(start))), uint64(min(left[0].end, int64(start+count)))
			if !mark(bitmap, from-start, to-start) && !g.unwritten {
				return false, nil // a structure where the bitmap says that nothing is
			}
			if uint64(left[0].end) > start+count {
				break // it goes on in the next group
			}
			left = left[1:]
		}
		if !g.unwritten && !mark(bitmap, count, x.perGroup) {
			return false, nil // what lies behind the last block is set, too
		}
		found := x.runs(bitmap, start, count)
		if found != g.free {
			return false, nil
		}
		free += found
	}
	return free == x.free, nil
}

// bitmap gives a group's bitmap, one bit a block, set where it is in use; nil where it is not sound.
func (x *extReading) bitmap(g extGroup) ([]byte, error) {
	if g.unwritten {
		return make([]byte, x.perGroup/8), nil
	}
	held, err := x.block(g.bitmap)
	if held == nil {
		return nil, err
	}
	bitmap := held[:x.perGroup/8]
	if !x.sums.bitmapSound(g.bitmapSum, x.descBytes, bitmap) {
		return nil, nil
	}
	return bitmap, nil
}

// mark sets bits, and tells whether all of them were set before.
func mark(bitmap []byte, from, to uint64) bool {
	all := true
	for i := from; i < to; i++ {
		bit := byte(1) << (i % 8)
		all = all && bitmap[i/8]&bit != 0
		bitmap[i/8] |= bit
	}
	return all
}

// runs adds the free runs of a bitmap, and counts the free blocks.
func (x *extReading) runs(bitmap []byte, start, count uint64) (free uint64) {
	for i := uint64(0); i < count; i++ {
		if bitmap[i/8]&(1<<(i%8)) != 0 {
			continue
		}
		first := i
		for i < count && bitmap[i/8]&(1<<(i%8)) == 0 {
			i++
		}
		free += i - first
		x.found.add(int64((start+first)*x.blockBytes), int64((start+i)*x.blockBytes))
	}
	return free
}
