package verify

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"slices"

	"cardwright/flash"
)

// A card that wraps its addresses at its true size keeps at each of its places what was written to it last, and gives it
// for every address that is the same but for a multiple of that size.

// A displacement is content of one place of the image that stands at another.
type displacement struct{ fromBytes, atBytes int64 }

// distance is how far the content is from its place.
func (d displacement) distance() int64 { return max(d.fromBytes-d.atBytes, d.atBytes-d.fromBytes) }

// trueSize is the size at which the card wraps: the least distance of any displacement, where every other is a multiple of
// it and nothing that was read speaks against it. It is nil where the damage shows no wrap.
func (p *Prover) trueSize() *int64 {
	found := p.displacements()
	if len(found) == 0 {
		return nil
	}
	least := slices.MinFunc(found, func(a, b displacement) int { return cmp.Compare(a.distance(), b.distance()) }).distance()
	held := map[int64]int64{} // which content a place of the card holds
	for _, d := range found {
		at := d.atBytes % least
		if from, known := held[at]; d.distance()%least != 0 || known && from != d.fromBytes {
			return nil
		}
		held[at] = d.fromBytes
	}
	if p.contradicted(least) {
		return nil
	}
	return &least
}

// displacements are those of whole blocks, and of samples that were found.
func (p *Prover) displacements() (found []displacement) {
	for _, s := range p.damaged {
		if s.kind == KindDisplaced {
			found = append(found, displacement{s.fromBytes, s.OffsetBytes})
		}
	}
	for _, w := range p.samples.witnesses() {
		if w.fromBytes != w.atBytes {
			found = append(found, displacement{w.fromBytes, w.atBytes})
		}
	}
	return found
}

// contradicted tells whether a block and all that would share its place on a card of that size are sound: one place cannot
// hold both. A block of nothing but zeros, or ones, says nothing.
func (p *Prover) contradicted(size int64) bool {
	sound := p.soundBlocks()
	blank := []flash.Digest{uniform(0x00), uniform(0xFF)}
	for i, ok := range sound {
		b := p.manifest.Block(i)
		if !ok || b.LengthBytes < flash.BlockBytes || slices.Contains(blank, p.manifest.Blocks[i]) {
			continue
		}
		first, end := b.OffsetBytes+size, b.OffsetBytes+size+flash.BlockBytes
		if end > p.manifest.ImageBytes {
			return false
		}
		sharers := sound[first/flash.BlockBytes : (end-1)/flash.BlockBytes+1]
		if !slices.Contains(sharers, false) {
			return true
		}
	}
	return false
}

// soundBlocks tells of each block whether it was read back and holds the image.
func (p *Prover) soundBlocks() []bool {
	sound := slices.Clone(p.seen)
	for _, s := range p.damaged {
		sound[s.Index] = false
	}
	return sound
}

// uniform is the digest of a block that holds one value alone.
func uniform(value byte) flash.Digest {
	return sha256.Sum256(bytes.Repeat([]byte{value}, flash.BlockBytes))
}
