package xz

// decode decodes a chunk's packed data until the window is filled up to limit. A match must lie wholly in the window's
// history and in the chunk; false says that one did not. Whether the packed data ended with the chunk is for the caller to
// judge by the coder's place.
//
// A literal behind a match looks at what lies at the last distance, without asking whether that is history: the match was
// found to lie in it, and the history gets shorter only where a new dictionary begins, behind which LZMA2 lets no chunk keep
// its state.
func (m *model) decode(c coder, w *window, limit int) (coder, bool) {
	buf, pos, state := w.buf, w.pos, m.state
	out := buf[:limit]
	var one bool
	for uint(pos) < uint(len(out)) {
		position := uint32(pos - w.origin)
		c = c.filled()
		if c, one = c.bit(&m.isMatch[uint8(state<<4+position&m.pbMask)]); !one {
			var before, literal uint32
			if pos != w.origin { // not the position, which begins anew after 4 GiB
				before = uint32(out[pos-1])
			}
			at := (position&m.lpMask<<m.lc + before>>(8-m.lc)) & (maxLiteralCoders - 1) * literalProbs
			if state < literalStates {
				c, literal = c.tree256((*[256]uint16)(m.literals[at:]))
			} else {
				c, literal = c.matched((*[1024]uint16)(m.literals[at:]), uint32(out[pos-int(m.reps[0])-1]))
			}
			out[pos] = byte(literal)
			pos++
			state = afterLiteral(state)
			continue
		}
		var length uint32
		c = c.filled()
		if c, one = c.bit(&m.isRep[state&15]); one {
			c, length, state = m.repetition(c, state, position&m.pbMask)
		} else {
			c, length = m.match.length(c, position&m.pbMask)
			m.reps[3], m.reps[2], m.reps[1] = m.reps[2], m.reps[1], m.reps[0]
			c, m.reps[0] = m.distance(c, length-minMatchBytes)
			state = afterMatch(state, 7)
		}
		distance, lengthBytes := int(m.reps[0]), int(length)
		if distance >= pos-w.origin || distance >= w.reach || lengthBytes > limit-pos {
			return c, false
		}
		repeat(buf, pos, distance+1, lengthBytes)
		pos += lengthBytes
	}
	w.pos, m.state = pos, state
	return c.filled(), true
}

// repetition decodes a match at one of the last four distances, which becomes the last, and gives length and state.
func (m *model) repetition(c coder, state, posState uint32) (coder, uint32, uint32) {
	var one bool
	c = c.filled()
	if c, one = c.bit(&m.isRep0[state&15]); !one {
		c = c.filled()
		if c, one = c.bit(&m.isRep0Long[uint8(state<<4+posState)]); !one {
			return c, 1, afterMatch(state, 9)
		}
	} else {
		c = m.otherDistance(c, state)
	}
	c, length := m.rep.length(c, posState)
	return c, length, afterMatch(state, 8)
}

// otherDistance decodes which distance but the last one it is.
func (m *model) otherDistance(c coder, state uint32) coder {
	var one bool
	r := &m.reps
	c = c.filled()
	if c, one = c.bit(&m.isRep1[state&15]); !one {
		r[0], r[1] = r[1], r[0]
		return c
	}
	c = c.filled()
	if c, one = c.bit(&m.isRep2[state&15]); !one {
		r[0], r[1], r[2] = r[2], r[0], r[1]
		return c
	}
	r[0], r[1], r[2], r[3] = r[3], r[0], r[1], r[2]
	return c
}

func afterLiteral(state uint32) uint32 {
	switch {
	case state < 4:
		return 0
	case state < 10:
		return state - 3
	default:
		return state - 6
	}
}

// afterMatch gives the state of a kind of match behind a literal, or the one that stands for its kind behind a match.
func afterMatch(state, behindLiteral uint32) uint32 {
	switch {
	case state < literalStates:
		return behindLiteral
	case behindLiteral == 7:
		return 10
	default:
		return 11
	}
}
