package xz

import "math/bits"

const (
	chunkBytes  = 1 << 16 // the most that a chunk's packed data takes
	rangeTop    = 1 << 24 // below it, the range takes another byte in
	probBits    = 11
	probStart   = 1 << probBits >> 1
	probShift   = 5
	probRaising = 1<<probBits - 1<<probShift // all ones but these bits, added to a probability, turn its lowering into raising
)

// A coder is a range decoder at some place in a chunk. It is passed and returned by value, so that its fields live in
// registers. Reading past the chunk's end gives bytes of no meaning, which whoever looks at the place afterwards finds out.
type coder struct {
	in   *[chunkBytes]byte
	at   uint32
	rng  uint32
	code uint32
}

func newCoder(in *[chunkBytes]byte) coder {
	return coder{
		in: in, at: 5, rng: 1<<32 - 1,
		code: uint32(in[1])<<24 | uint32(in[2])<<16 | uint32(in[3])<<8 | uint32(in[4]),
	}
}

// filled takes a byte in if the range has become small.
func (c coder) filled() coder {
	if c.rng < rangeTop {
		c.code = c.code<<8 | uint32(c.in[uint16(c.at)])
		c.rng <<= 8
		c.at++
	}
	return c
}

// bit decodes a decision that is mostly foreseeable, so that a branch costs little.
func (c coder) bit(p *uint16) (coder, bool) {
	v := uint32(*p)
	bound := c.rng >> probBits * v
	if c.code < bound {
		c.rng = bound
		*p = uint16(v + (1<<probBits-v)>>probShift)
		return c, false
	}
	c.rng -= bound
	c.code -= bound
	*p = uint16(v - v>>probShift)
	return c, true
}

// choose decodes a decision that nobody foresees: v is its probability, and v0 and v1 are those of the decisions that may
// follow. Back come the coder behind it, the probability's next value, all ones for a zero bit or none for a one, and the
// probability of the decision that does follow. All is computed both ways and chosen without a branch.
func (c coder) choose(v, v0, v1 uint32) (after coder, up uint16, zero, next uint32) {
	bound := c.rng >> probBits * v
	difference, borrow := bits.Sub64(uint64(c.code), uint64(bound), 0)
	zero = uint32(-borrow)
	c.rng -= bound
	less := c.code < bound
	if less {
		c.rng = bound
	}
	if !less {
		c.code = uint32(difference)
	}
	if less {
		v1 = v0
	}
	return c, uint16(v - uint32(int32(v+zero&^probRaising)>>probShift)), zero, v1
}
