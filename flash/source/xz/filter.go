package xz

import (
	"encoding/binary"
	"fmt"
	"slices"
)

// Filters of the format, by their ids.
const (
	deltaID   = 0x03
	x86ID     = 0x04
	powerPCID = 0x05
	ia64ID    = 0x06
	armID     = 0x07
	armT2ID   = 0x08
	sparcID   = 0x09
	arm64ID   = 0x0a
)

// A filter undoes, in place, what was done to the bytes before they were packed. It says how many bytes from the start are
// done; those after them need more to follow, or stay as they are at the block's end.
type filter interface {
	undo(b []byte) (doneBytes int)
}

// newFilter gives the filter of a block header, at its start.
func newFilter(spec filterSpec) (filter, error) {
	if spec.id == deltaID {
		if len(spec.properties) != 1 {
			return nil, malformed("delta properties of another length than 1")
		}
		return &delta{distance: int(spec.properties[0]) + 1}, nil
	}
	architecture, alignment := branches(spec.id)
	if architecture == nil {
		return nil, fmt.Errorf("%w: filter %#x", ErrUnsupported, spec.id)
	}
	var start uint32
	switch len(spec.properties) {
	case 0:
	case 4:
		start = binary.LittleEndian.Uint32(spec.properties)
	default:
		return nil, malformed("branch filter properties of another length than 0 or 4")
	}
	if start%alignment != 0 {
		return nil, fmt.Errorf("%w: a branch filter's start of %#x", ErrUnsupported, start)
	}
	if spec.id == x86ID {
		return newX86(start), nil
	}
	return &branch{undoAt: architecture, position: start}, nil
}

// branches gives what turns the branch targets of an architecture's code back, and to how many bytes its code is aligned.
func branches(id int64) (func(b []byte, position uint32) int, uint32) {
	switch id {
	case x86ID:
		return func([]byte, uint32) int { return 0 }, 1 // it needs more than a position, see x86
	case powerPCID:
		return powerPC, 4
	case ia64ID:
		return ia64, 16
	case armID:
		return arm, 4
	case armT2ID:
		return armThumb, 2
	case sparcID:
		return sparc, 4
	case arm64ID:
		return arm64, 4
	default:
		return nil, 0
	}
}

// A branch filter turns absolute targets of calls and jumps back into relative ones.
type branch struct {
	undoAt   func(b []byte, position uint32) (doneBytes int)
	position uint32 // of the next byte
}

func (f *branch) undo(b []byte) int {
	done := f.undoAt(b, f.position)
	f.position += uint32(done)
	return done
}

// A delta filter adds to each byte the one that stands some bytes before it.
type delta struct {
	distance int
	history  [256]byte
	at       byte
}

func (f *delta) undo(b []byte) int {
	for i := range b {
		b[i] += f.history[byte(f.distance+int(f.at))]
		f.history[f.at] = b[i]
		f.at--
	}
	return len(b)
}

// A stage is a filter with the bytes that wait for more.
type stage struct {
	filter    filter
	buf       []byte
	doneBytes int
}

// pass takes more bytes and gives those that are done. At the end all are.
func (s *stage) pass(b []byte, end bool) []byte {
	waiting := copy(s.buf, s.buf[s.doneBytes:])
	s.buf = append(s.buf[:waiting], b...)
	s.doneBytes = s.filter.undo(s.buf)
	if end {
		s.doneBytes = len(s.buf)
	}
	return s.buf[:s.doneBytes]
}

// stageBytes is what a stage holds at most: a chunk, and what append takes beyond what it needs.
const stageBytes = maxDecodedBytes + maxDecodedBytes/4

// A chain is the filters of a block in the order in which they are undone.
type chain []stage

// reset begins a new block with filters in the order in which they were applied.
func (c *chain) reset(applied []filter) {
	stages := slices.Grow((*c)[:0], len(applied))[:len(applied)]
	for i, f := range applied {
		s := &stages[len(applied)-1-i]
		*s = stage{filter: f, buf: s.buf[:0]}
	}
	*c = stages
}

func (c chain) pass(b []byte, end bool) []byte {
	for i := range c {
		b = c[i].pass(b, end)
	}
	return b
}
