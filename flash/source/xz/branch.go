package xz

import "encoding/binary"

// The functions below go through code of one architecture each and turn the targets of branches, which packing made
// absolute, back into distances from where the branch stands. They give the number of bytes they are done with.

func powerPC(b []byte, position uint32) int {
	i := 0
	for ; i+4 <= len(b); i += 4 {
		code := binary.BigEndian.Uint32(b[i:])
		if code&0xfc000003 == 0x48000001 { // bl
			target := code&0x03fffffc - (position + uint32(i))
			binary.BigEndian.PutUint32(b[i:], 0x48000001|target&0x03fffffc)
		}
	}
	return i
}

func arm(b []byte, position uint32) int {
	i := 0
	for ; i+4 <= len(b); i += 4 {
		code := binary.LittleEndian.Uint32(b[i:])
		if code>>24 == 0xeb { // bl, always
			target := code<<2 - (position + uint32(i) + 8)
			binary.LittleEndian.PutUint32(b[i:], 0xeb000000|target>>2&0x00ffffff)
		}
	}
	return i
}

func armThumb(b []byte, position uint32) int {
	i := 0
	for ; i+4 <= len(b); i += 2 {
		high, low := uint32(binary.LittleEndian.Uint16(b[i:])), uint32(binary.LittleEndian.Uint16(b[i+2:]))
		if high&0xf800 != 0xf000 || low&0xf800 != 0xf800 { // the two halves of bl
			continue
		}
		target := (high&0x7ff<<11|low&0x7ff)<<1 - (position + uint32(i) + 4)
		binary.LittleEndian.PutUint16(b[i:], uint16(0xf000|target>>12&0x7ff))
		binary.LittleEndian.PutUint16(b[i+2:], uint16(0xf800|target>>1&0x7ff))
		i += 2
	}
	return i
}

func arm64(b []byte, position uint32) int {
	i := 0
	for ; i+4 <= len(b); i += 4 {
		code, at := binary.LittleEndian.Uint32(b[i:]), position+uint32(i)
		switch {
		case code>>26 == 0x25: // bl
			code = 0x94000000 | (code-at>>2)&0x03ffffff
		case code&0x9f000000 == 0x90000000: // adrp, where the page is within 512 MiB
			page := code>>29&3 | code>>3&0x1ffffc
			if (page+0x20000)&0x1c0000 != 0 {
				continue
			}
			page -= at >> 12
			code = code&0x9000001f | page&3<<29 | page&0x3fffc<<3 | -(page&0x20000)&0xe00000
		default:
			continue
		}
		binary.LittleEndian.PutUint32(b[i:], code)
	}
	return i
}

func sparc(b []byte, position uint32) int {
	i := 0
	for ; i+4 <= len(b); i += 4 {
		code := binary.BigEndian.Uint32(b[i:])
		if code>>22 != 0x100 && code>>22 != 0x1ff { // call, with the sign in the upper bits
			continue
		}
		target := (code<<2 - (position + uint32(i))) >> 2
		sign := -(target >> 22 & 1) << 22 & 0x3fffffff
		binary.BigEndian.PutUint32(b[i:], 0x40000000|sign|target&0x3fffff)
	}
	return i
}

// ia64Slots tells by a bundle's template which of its three slots may hold a branch.
const ia64Slots = "\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x04\x04\x06\x06\x00\x00\x07\x07\x04\x04\x00\x00\x04\x04\x00\x00"

func ia64(b []byte, position uint32) int {
	i := 0
	for ; i+16 <= len(b); i += 16 {
		slots := ia64Slots[b[i]&0x1f]
		for slot := range 3 {
			if slots>>slot&1 != 0 {
				firstBit := 5 + 41*slot
				ia64Slot(b[i+firstBit/8:], firstBit%8, position+uint32(i))
			}
		}
	}
	return i
}

// ia64Slot turns the instruction that begins some bits into b.
func ia64Slot(b []byte, skipBits int, position uint32) {
	var raw [8]byte
	copy(raw[:6], b)
	all := binary.LittleEndian.Uint64(raw[:])
	code := all >> skipBits
	if code>>37&0xf != 5 || code>>9&7 != 0 { // br.call
		return
	}
	target := uint32(code>>13&0xfffff|code>>36&1<<20)<<4 - position
	target >>= 4
	code &^= 0x8fffff << 13
	code |= uint64(target&0xfffff)<<13 | uint64(target&0x100000)<<(36-20)
	binary.LittleEndian.PutUint64(raw[:], all&(1<<skipBits-1)|code<<skipBits)
	copy(b[:6], raw[:])
}
