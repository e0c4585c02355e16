package xz

import "encoding/binary"

const (
	x86Call     = 0xe8
	x86Jump     = 0xe9
	x86CodeSize = 5 // opcode 1, target 4
)

// An x86 filter turns the targets of E8 and E9 back. An opcode may also be the middle of something else, so packing left a
// target alone if opcodes that had been left alone stood in the bytes right before it; which, is kept from one to the next.
type x86 struct {
	position uint32 // of the next byte
	last     uint32 // where the last opcode stood
	// left has a bit for each of the bytes before, as low as the byte is near, that were opcodes left alone; in the upper
	// half for those whose target looked like one.
	left uint32
}

func newX86(start uint32) *x86 { return &x86{position: start, last: start - x86CodeSize} }

func (f *x86) undo(b []byte) int {
	if len(b) < x86CodeSize {
		return 0
	}
	if f.position-f.last > x86CodeSize {
		f.last = f.position - x86CodeSize
	}
	i := 0
	for i+x86CodeSize <= len(b) {
		if b[i]&0xfe != x86Call {
			i++
			continue
		}
		i += f.opcode(b[i:i+x86CodeSize], f.position+uint32(i))
	}
	f.position += uint32(i)
	return i
}

// opcode turns the target of an opcode, or leaves it, and says how many bytes that settles.
func (f *x86) opcode(b []byte, at uint32) int {
	passed := at - f.last
	f.last = at
	if passed > x86CodeSize {
		f.left = 0
	}
	for range min(passed, x86CodeSize) {
		f.left = f.left & 0x77 << 1
	}
	before := f.left >> 1
	if !signByte(b[4]) || before >= 0x10 || !turnsAfter(before&7) {
		f.left |= 1
		if signByte(b[4]) {
			f.left |= 0x10
		}
		return 1
	}
	target := f.target(binary.LittleEndian.Uint32(b[1:]), at+x86CodeSize)
	binary.LittleEndian.PutUint32(b[1:], target&0x01ffffff|-(target>>24&1)<<24)
	f.left = 0
	return x86CodeSize
}

// target is the distance that an absolute target stands for. It is turned again where it would look like a target to an
// opcode before it.
func (f *x86) target(absolute, behind uint32) uint32 {
	for {
		relative := absolute - behind
		if f.left == 0 {
			return relative
		}
		bit := 24 - 8*nearest(f.left>>1)
		if !signByte(byte(relative >> bit)) {
			return relative
		}
		absolute = relative ^ (1<<(bit+8) - 1)
	}
}

// signByte tells whether a byte is the highest of a target near enough: all zeros or all ones.
func signByte(b byte) bool { return b == 0x00 || b == 0xff }

// turnsAfter tells whether a target is turned after such opcodes among the three bytes before.
func turnsAfter(left uint32) bool { return left <= 2 || left == 4 }

// nearest is the number of the byte of the target that the farthest opcode before would take for its highest.
func nearest(left uint32) uint32 {
	switch {
	case left == 0:
		return 0
	case left == 1:
		return 1
	case left <= 3:
		return 2
	default:
		return 3
	}
}
