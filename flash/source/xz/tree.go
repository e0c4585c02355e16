package xz

// The trees below are decoded bit by bit from the highest, s being the number of the node: 1 at the root, and 2s or 2s+1
// below it, so that it tells the end too; a counter beside it would take a register. The probabilities of both children are
// loaded before the bit is known.

// tree8 decodes three bits.
func (c coder) tree8(t *[8]uint16) (coder, uint32) {
	var zero uint32
	var up uint16
	s, v := uint32(1), uint32(t[1])
	for s < 8 {
		c = c.filled()
		c, up, zero, v = c.choose(v, uint32(t[2*s&7]), uint32(t[(2*s+1)&7]))
		t[s&7] = up
		s = 2*s + 1 + zero
	}
	return c, s & 7
}

// tree64 decodes six bits.
func (c coder) tree64(t *[64]uint16) (coder, uint32) {
	var zero uint32
	var up uint16
	s, v := uint32(1), uint32(t[1])
	for s < 64 {
		c = c.filled()
		c, up, zero, v = c.choose(v, uint32(t[2*s&63]), uint32(t[(2*s+1)&63]))
		t[s&63] = up
		s = 2*s + 1 + zero
	}
	return c, s & 63
}

// tree256 decodes eight bits.
func (c coder) tree256(t *[256]uint16) (coder, uint32) {
	var zero uint32
	var up uint16
	s, v := uint32(1), uint32(t[1])
	for s < 256 {
		c = c.filled()
		c, up, zero, v = c.choose(v, uint32(t[uint8(2*s)]), uint32(t[uint8(2*s+1)]))
		t[uint8(s)] = up
		s = 2*s + 1 + zero
	}
	return c, s & 255
}

// matched decodes a literal after a match: byte b, which stands where the match would have gone on, chooses other
// probabilities for as long as the literal's bits are the same as its own.
func (c coder) matched(t *[1024]uint16, b uint32) (coder, uint32) {
	var zero uint32
	var up uint16
	var at, is, ifZero, ifOne uint32
	same, s := uint32(0x100), uint32(1)
	b <<= 1
	v := uint32(t[(same+b&same+s)&1023])
	for s < 256 {
		at = same + b&same + s
		is = b & same // of a one, nothing stays the same once the bits differ
		b <<= 1
		ifZero, ifOne = same&^is, is
		c = c.filled()
		c, up, zero, v = c.choose(v, uint32(t[(ifZero+b&ifZero+2*s)&1023]), uint32(t[(ifOne+b&ifOne+2*s+1)&1023]))
		t[at&1023] = up
		same = ifOne ^ (ifOne^ifZero)&zero
		s = 2*s + 1 + zero
	}
	return c, s & 255
}

// reversed decodes bits from the lowest. The tree's root is t[root+1].
func (c coder) reversed(t *[128]uint16, root, bits uint32) (coder, uint32) {
	var zero, value uint32
	var up uint16
	s := uint32(1)
	v := uint32(t[(root+1)&127])
	for i := range bits {
		c = c.filled()
		c, up, zero, v = c.choose(v, uint32(t[(root+2*s)&127]), uint32(t[(root+2*s+1)&127]))
		t[(root+s)&127] = up
		s = 2*s + 1 + zero
		value |= (1 + zero) << (i & 31)
	}
	return c, value
}

// direct decodes bits that are as often one as zero.
func (c coder) direct(bits uint32) (coder, uint32) {
	value := uint32(0)
	for range bits {
		c = c.filled()
		c.rng >>= 1
		c.code -= c.rng
		negative := uint32(int32(c.code) >> 31)
		c.code += c.rng & negative
		value = 2*value + 1 + negative
	}
	return c, value
}
