package cardlab

import (
	"encoding/binary"
	"slices"
)

// store keeps what the host wrote: flipped where the card's traits say so, at the place that it really has.
func (c *Card) store(p []byte, offsetBytes int64) {
	span := Span{offsetBytes, int64(len(p))}
	c.memory.remember(p, offsetBytes)
	for i := range c.traits.Flips {
		if flip := c.traits.Flips[i]; !flip.OnRead && span.covers(flip.OffsetBytes) && c.flips(i) {
			own := slices.Clone(p) // the host's buffer is not the card's to change
			own[flip.OffsetBytes-offsetBytes] ^= flip.Mask
			p = own
		}
	}
	c.eachPlace(len(p), offsetBytes, func(placeBytes int64, from, to int) {
		if placeBytes >= 0 {
			c.medium.write(p[from:to], placeBytes)
		}
	})
}

// load reads what the medium holds for these addresses.
func (c *Card) load(p []byte, offsetBytes int64) {
	c.eachPlace(len(p), offsetBytes, func(placeBytes int64, from, to int) {
		if placeBytes < 0 {
			clear(p[from:to])
			return
		}
		c.medium.read(p[from:to], placeBytes)
	})
	c.memory.answer(p, offsetBytes)
}

// distort does to what was read what the card's traits say.
func (c *Card) distort(p []byte, offsetBytes int64) {
	span := Span{offsetBytes, int64(len(p))}
	for i, flip := range c.traits.Flips {
		if flip.OnRead && span.covers(flip.OffsetBytes) && c.flips(i) {
			p[flip.OffsetBytes-offsetBytes] ^= flip.Mask
		}
	}
	for _, unstable := range c.traits.Unstable {
		hit := overlap(span, unstable)
		c.reads++
		for at := hit.OffsetBytes; at < hit.End(); at += int64(c.traits.SectorBytes) {
			var noise [8]byte
			binary.LittleEndian.PutUint64(noise[:], mix(c.traits.Seed^mix(c.reads)^uint64(at)))
			noise[0] = byte(c.reads) // one read differs from the next for certain, not just very likely
			for i := range min(8, hit.End()-at) {
				p[at-offsetBytes+i] ^= noise[i]
			}
		}
	}
}

// flips tells whether flip i happens now.
func (c *Card) flips(i int) bool {
	first := !c.flipped[i]
	c.flipped[i] = true
	return first || !c.traits.Flips[i].Once
}

// eachPlace calls visit for each part of a range of addresses that lies in one piece on the medium, with its place there;
// -1 where there is no medium.
func (c *Card) eachPlace(lengthBytes int, offsetBytes int64, visit func(placeBytes int64, from, to int)) {
	size := c.traits.TrueSizeBytes
	for from := 0; from < lengthBytes; {
		at := offsetBytes + int64(from)
		place := at % size
		to := int(min(int64(lengthBytes), int64(from)+size-place))
		if at >= size && c.traits.Beyond != Wrap {
			place, to = -1, lengthBytes
		}
		visit(place, from, to)
		from = to
	}
}

// forget puts what a discard leaves onto the medium.
func (c *Card) forget(offsetBytes, lengthBytes int64) {
	const chunkBytes = 1 << 20
	for end := offsetBytes + lengthBytes; offsetBytes < end; offsetBytes += chunkBytes {
		left := make([]byte, min(chunkBytes, end-offsetBytes))
		if c.traits.Discards == DiscardNoise {
			for i := 0; i < len(left); i += 8 {
				binary.LittleEndian.PutUint64(left[i:], mix(^c.traits.Seed^uint64(offsetBytes+int64(i))))
			}
		}
		c.eachPlace(len(left), offsetBytes, func(placeBytes int64, from, to int) {
			if placeBytes >= 0 {
				c.medium.write(left[from:to], placeBytes)
			}
		})
	}
}

// mix spreads a counter over 64 bits: the finalizer of SplitMix64 (Steele, Lea and Flood 2014, from memory).
func mix(x uint64) uint64 {
	x *= 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}
