package verify

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"slices"

	"cardwright/flash"
)

// A card that wraps its addresses at its true size keeps at each of its places what was written to it last, and gives it
// for every address that is the same but for a multiple of that size. An image is written from its second block to its end,
// and its head last. So what comes later in the image stands at earlier addresses, and the head at later ones; and what must
// have been written over is not sound. A card in use holds content in two places as well, copies of files, which is no wrap.

// A displacement is content of one place of the image that stands at another.
type displacement struct{ fromBytes, atBytes int64 }

// distance is how far the content is from its place.
func (d displacement) distance() int64 { return max(d.fromBytes-d.atBytes, d.atBytes-d.fromBytes) }

// isOfHead tells whether it is content of the head at a later address.
func (d displacement) isOfHead() bool {
	return d.fromBytes < d.atBytes && d.fromBytes < flash.BlockBytes
}

// trueSize is the size at which the card wraps: the least distance of any displacement, where all of them are such as a wrap
// makes, every distance is a multiple of it, and nothing that was read speaks against it. It is nil where the damage shows no
// wrap, and never less than a block.
func (p *Prover) trueSize() *int64 {
	found := p.displacements()
	if len(found) == 0 {
		return nil
	}
	least := slices.MinFunc(found, func(a, b displacement) int { return cmp.Compare(a.distance(), b.distance()) }).distance()
	held := map[int64]int64{} // which content a place of the card holds
	ofHead, ofBootSector, writtenLast := false, false, int64(flash.BlockBytes)
	for _, d := range found {
		at := d.atBytes % least
		from, known := held[at]
		if d.distance()%least != 0 || known && from != d.fromBytes || d.fromBytes < d.atBytes && !d.isOfHead() {
			return nil
		}
		held[at] = d.fromBytes
		ofHead, ofBootSector = ofHead || d.isOfHead(), ofBootSector || d.fromBytes == 0
		if d.atBytes < flash.BlockBytes {
			writtenLast = 0 // the head was written first, by another program
		}
	}
	blank := []flash.Digest{uniform(0x00), uniform(0xFF)}
	if least < flash.BlockBytes || ofHead && !ofBootSector || p.contradicted(least, writtenLast, blank) ||
		p.mayBeAFraction(least, writtenLast, blank) {
		return nil
	}
	return &least
}

// mayBeAFraction tells whether free blocks could hide that the card wraps at a fraction of that size: all that was displaced went
// several times around then.
func (p *Prover) mayBeAFraction(size, writtenLast int64, blank []flash.Digest) bool {
	if !slices.Contains(p.manifest.Free, true) {
		return false
	}
	for n := int64(2); n <= size/flash.BlockBytes; n++ {
		if size%(n*sampledBytes) == 0 && !p.contradicted(size/n, writtenLast, blank) {
			return true
		}
	}
	return false
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

// contradicted tells whether something is sound that would have been written over on a card of that size: a block, unless it is
// all zeros or ones or the image repeats it there, or a sample that the image holds but once. What lies before writtenLast
// was written over by nothing, and nothing is by a free block.
func (p *Prover) contradicted(size, writtenLast int64, blank []flash.Digest) bool {
	for i, ok := range p.soundBlocks() {
		b := p.manifest.Block(i)
		if b.OffsetBytes < writtenLast || !ok || b.OffsetBytes+size+flash.BlockBytes > p.manifest.ImageBytes || slices.Contains(blank, p.manifest.Blocks[i]) ||
			!p.writtenAt(b.OffsetBytes+size) && !p.writtenAt(b.OffsetBytes+size+flash.BlockBytes-1) {
			continue
		}
		repeated := size%flash.BlockBytes == 0 && p.manifest.Blocks[i] == p.manifest.Blocks[i+int(size/flash.BlockBytes)]
		if !repeated {
			return true
		}
	}
	return slices.ContainsFunc(p.samples.witnesses(), func(w sample) bool {
		return w.fromBytes == w.atBytes && w.atBytes >= writtenLast && w.atBytes+size < p.manifest.ImageBytes &&
			p.writtenAt(w.atBytes+size)
	})
}

// writtenAt tells whether the card was given this byte of the image.
func (p *Prover) writtenAt(offsetBytes int64) bool {
	return !p.manifest.IsFree(int(offsetBytes / flash.BlockBytes))
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
