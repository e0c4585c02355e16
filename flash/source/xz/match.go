package xz

import "math/bits"

// length decodes a match's length.
func (l *lengths) length(c coder, posState uint32) (coder, uint32) {
	var one bool
	var value uint32
	c = c.filled()
	if c, one = c.bit(&l.choice[0]); !one {
		c, value = c.tree8(&l.low[posState&15])
		return c, value + minMatchBytes
	}
	c = c.filled()
	if c, one = c.bit(&l.choice[1]); !one {
		c, value = c.tree8(&l.mid[posState&15])
		return c, value + minMatchBytes + 8
	}
	c, value = c.tree256(&l.high)
	return c, value + minMatchBytes + 16
}

// distance decodes a distance, less one. The length, less the smallest, chooses the probabilities.
func (m *model) distance(c coder, length uint32) (coder, uint32) {
	c, slot := c.tree64(&m.slots[min(length, 3)&3])
	if slot < 4 {
		return c, slot
	}
	lowBits := slot>>1 - 1
	value := (2 | slot&1) << lowBits
	var low uint32
	if slot < 14 {
		c, low = c.reversed(&m.special, value-slot, lowBits)
		return c, value + low
	}
	c, high := c.direct(lowBits - 4)
	c, low = c.align(&m.align)
	return c, value + high<<4 + low
}

// align decodes the lowest four bits of a far distance, from the lowest.
func (c coder) align(t *[16]uint16) (coder, uint32) {
	var zero uint32
	var up uint16
	s, v := uint32(1), uint32(t[1])
	for s < 16 {
		c = c.filled()
		c, up, zero, v = c.choose(v, uint32(t[2*s&15]), uint32(t[(2*s+1)&15]))
		t[s&15] = up
		s = 2*s + 1 + zero
	}
	return c, uint32(bits.Reverse8(uint8(s << 4)))
}

// repeat writes length bytes at pos that repeat what stands distance bytes before. Both were found to fit. Bytes behind them,
// which are yet to be decoded, may be written too.
func repeat(buf []byte, pos, distance, length int) {
	if distance >= 16 && length <= 16 && pos+16 <= len(buf) {
		*(*[16]byte)(buf[pos:]) = *(*[16]byte)(buf[pos-distance:])
		return
	}
	repeatLong(buf[pos-distance:pos+length], distance)
}

// repeatLong fills b with repetitions of its first distance bytes.
func repeatLong(b []byte, distance int) {
	if len(b)-distance <= 16 {
		for i := range b[distance:] {
			b[distance+i] = b[i]
		}
		return
	}
	if distance == 1 && b[0] == 0 { // images are full of them
		clear(b)
		return
	}
	for done := distance; done < len(b); {
		done += copy(b[done:], b[:done])
	}
}
