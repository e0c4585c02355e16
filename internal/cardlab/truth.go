package cardlab

import (
	"crypto/sha256"
	"slices"

	"cardwright/flash"
)

// A Truth looks at what a card's medium really holds. It takes no time, counts nowhere, meets no fault, and works on a
// card that is gone. Its offsets are places on the medium, from 0 to the true size.
type Truth struct{ card *Card }

// Truth gives the card's truth.
func (c *Card) Truth() Truth { return Truth{c} }

// SizeBytes is how much the card really holds.
func (t Truth) SizeBytes() int64 { return t.card.traits.TrueSizeBytes }

// Read gives what the medium holds, synced or not. It panics when the range is not on the medium.
func (t Truth) Read(offsetBytes int64, lengthBytes int) []byte {
	if offsetBytes < 0 || lengthBytes < 0 || int64(lengthBytes) > t.SizeBytes()-offsetBytes {
		panic("cardlab: truth asked past the medium's end")
	}
	p := make([]byte, lengthBytes)
	t.card.mu.Lock()
	defer t.card.mu.Unlock()
	t.card.medium.read(p, offsetBytes)
	return p
}

// Digest is the SHA-256 of what the medium holds there.
func (t Truth) Digest(offsetBytes, lengthBytes int64) flash.Digest {
	const chunkBytes = 1 << 20
	sum := sha256.New()
	for lengthBytes > 0 {
		chunk := t.Read(offsetBytes, int(min(chunkBytes, lengthBytes)))
		sum.Write(chunk) // documented never to fail
		offsetBytes += int64(len(chunk))
		lengthBytes -= int64(len(chunk))
	}
	return flash.Digest(sum.Sum(nil))
}

// Asked lists the addresses that the host ever tried to write or to discard, in order and apart. Also what failed counts.
func (t Truth) Asked() []Span {
	t.card.mu.Lock()
	defer t.card.mu.Unlock()
	return slices.Clone(t.card.asked)
}

// Written lists the addresses of all bytes that the card took from the host, in order and apart. Bytes that it then forgot
// count.
func (t Truth) Written() []Span {
	t.card.mu.Lock()
	defer t.card.mu.Unlock()
	return slices.Clone(t.card.written)
}

// UnsyncedBytes is how much a power cut may lose now, in whole sectors.
func (t Truth) UnsyncedBytes() int64 {
	t.card.mu.Lock()
	defer t.card.mu.Unlock()
	return t.card.medium.unsyncedBytes()
}
