package registers

import (
	"errors"
	"fmt"
)

// A place is one of the registers.
type place uint8

const (
	inCID place = iota
	inCSD
	inSCR
	inSSR
)

// length of the register in bytes.
func (p place) length() int { return [...]int{16, 16, 8, 64}[p] }

// A field is where a value lies: bits high down to low of a register, numbered from its last bit as in the specifications.
type field struct {
	in        place
	name      string
	high, low int
}

func (f field) bits() int { return f.high - f.low + 1 }

// poke writes the field's bits into a register. What does not fit is cut off.
func (f field) poke(register []byte, value uint64) {
	for bit := f.low; bit <= f.high; bit++ {
		at, mask := len(register)-1-bit/8, byte(1)<<(bit%8)
		register[at] &^= mask
		if value>>(bit-f.low)&1 != 0 {
			register[at] |= mask
		}
	}
}

// peek reads the field's bits.
func (f field) peek(register []byte) (value uint64) {
	for bit := f.high; bit >= f.low; bit-- {
		value = value<<1 | uint64(register[len(register)-1-bit/8]>>(bit%8)&1)
	}
	return value
}

// An encoder fills one register and remembers what did not fit.
type encoder struct {
	bytes []byte
	errs  []error
}

func encode(in place) *encoder { return &encoder{bytes: make([]byte, in.length())} }

// put writes a value of at most 64 bits; a negative number, as a uint64, fits no field.
func (e *encoder) put(f field, value uint64) {
	if value>>f.bits() != 0 {
		e.errs = append(e.errs, fmt.Errorf("%w: %s is %d and has %d bits", ErrField, f.name, int64(value), f.bits()))
		return
	}
	f.poke(e.bytes, value)
}

func (e *encoder) flag(f field, set bool) {
	if set {
		e.put(f, 1)
	}
}

// text writes bytes as they are. A shorter text is not padded: what a card's blanks are is the card's own matter.
func (e *encoder) text(f field, text string) {
	if len(text)*8 != f.bits() {
		e.errs = append(e.errs, fmt.Errorf("%w: %s is %q and has %d bytes", ErrField, f.name, text, f.bits()/8))
		return
	}
	copy(e.bytes[len(e.bytes)-1-f.high/8:], text)
}

func (e *encoder) done() ([]byte, error) {
	if len(e.errs) > 0 {
		return nil, errors.Join(e.errs...)
	}
	return e.bytes, nil
}

// sealed ends a CID or CSD with its checksum and the end bit.
func (e *encoder) sealed() ([]byte, error) {
	seal(e.bytes)
	return e.done()
}

func seal(register []byte) {
	last := len(register) - 1
	register[last] = CRC7(register[:last])<<1 | 1
}

// CRC7 is the checksum of commands, responses, CID and CSD: x^7 + x^3 + 1, from 0, most significant bit first.
func CRC7(message []byte) uint8 {
	var crc uint8 // in the upper 7 bits
	for _, b := range message {
		crc ^= b
		for range 8 {
			carry := crc & 0x80
			crc <<= 1
			if carry != 0 {
				crc ^= 0x09 << 1
			}
		}
	}
	return crc >> 1
}
