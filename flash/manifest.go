package flash

import (
	"crypto/sha256"
	"encoding/hex"
)

// A Digest is the SHA-256 (FIPS 180-4) of a block or of a whole image.
type Digest [sha256.Size]byte

// String gives the digest as 64 lower-case hexadecimal digits.
func (d Digest) String() string { return hex.EncodeToString(d[:]) }

// A Block is a place in the image: its number, where it starts, and its length, which is BlockBytes but for the last.
type Block struct {
	Index       int
	OffsetBytes int64
	LengthBytes int
}

// A Manifest holds the digest of every block of an image, in order. Digests cover the image's own bytes only, not the
// zeros that fill up a card's last sector. Free blocks are digested like all others, but what a card holds there says nothing.
type Manifest struct {
	ImageBytes int64
	Blocks     []Digest
	Free       []bool // by block: it is free, so no card is given it; nil: none is
}

// IsFree tells whether no card is given block i, since the image leaves open what lies there.
func (m *Manifest) IsFree(i int) bool { return i < len(m.Free) && m.Free[i] }

// FreeBytes is how much of the image lies in free blocks.
func (m *Manifest) FreeBytes() (bytes int64) {
	for i := range m.Blocks {
		if m.IsFree(i) {
			bytes += int64(m.Block(i).LengthBytes)
		}
	}
	return bytes
}

// Block gives the place of block i. It panics when the manifest has no such block.
func (m *Manifest) Block(i int) Block {
	_ = m.Blocks[i]
	offset := int64(i) * BlockBytes
	return Block{Index: i, OffsetBytes: offset, LengthBytes: int(min(BlockBytes, m.ImageBytes-offset))}
}

// Append adds the digest of the next block. Every block but the last must be BlockBytes long.
func (m *Manifest) Append(block []byte) {
	m.Blocks = append(m.Blocks, sha256.Sum256(block))
	m.ImageBytes += int64(len(block))
}
