package identity

import (
	"fmt"
	"math/big"
	"strconv"
)

// A span is one field of a register's layout: the bits as the specification numbers them, where 0 is the last one sent, and what
// says what a value means.
type span struct {
	name      string
	high, low int
	means     func(value uint64) string
}

// reserved is the name of the fields that the specification keeps for later.
const reserved = "reserved"

// fieldsOf reads every field of a layout from a register, whose first byte holds the highest bits.
func fieldsOf(register []byte, layout []span) []Field {
	fields := make([]Field, len(layout))
	for i, s := range layout {
		value := bitsOf(register, s.high, s.low)
		digits := (s.high - s.low + 4) / 4
		fields[i] = Field{Name: s.name, Bits: s.bits(), Raw: fmt.Sprintf("0x%0*x", digits, value), Meaning: s.meaning(value)}
	}
	return fields
}

func (s span) bits() string {
	if s.high == s.low {
		return strconv.Itoa(s.high)
	}
	return fmt.Sprintf("%d:%d", s.high, s.low)
}

// meaning tells reserved bits that are used, whose value may be wider than a number of 64 bits.
func (s span) meaning(value *big.Int) string {
	switch {
	case s.means != nil:
		return s.means(value.Uint64())
	case value.Sign() == 0:
		return "0, as reserved bits are"
	}
	return "reserved bits that are not 0"
}

// bitsOf gives the bits high to low of a register.
func bitsOf(register []byte, high, low int) *big.Int {
	value := new(big.Int).SetBytes(register)
	value.Rsh(value, uint(low))
	mask := new(big.Int).Lsh(big.NewInt(1), uint(high-low+1))
	return value.And(value, mask.Sub(mask, big.NewInt(1)))
}

// number gives the bits high to low, at most 64, of a register.
func number(register []byte, high, low int) uint64 { return bitsOf(register, high, low).Uint64() }

// valueOf gives the number that the first field of a name holds.
func valueOf(fields []Field, name string) (uint64, bool) {
	for _, f := range fields {
		if f.Name == name {
			value, err := strconv.ParseUint(f.Raw, 0, 64)
			return value, err == nil
		}
	}
	return 0, false
}

// Value gives the number in the field of that name in the specification, such as "PSN". It is false where there is none.
func (c *CID) Value(field string) (uint64, bool) { return valueOf(c.Fields, field) }

// Value gives the number in the field of that name in the specification, such as "C_SIZE". It is false where there is none.
func (c *CSD) Value(field string) (uint64, bool) { return valueOf(c.Fields, field) }

// Value gives the number in the field of that name in the specification, such as "SD_SPEC". It is false where there is none.
func (s *SCR) Value(field string) (uint64, bool) { return valueOf(s.Fields, field) }

// Value gives the number in the field of that name in the specification, such as "AU_SIZE". It is false where there is none, and
// for bits kept for the maker, which are too many for a number.
func (s *SSR) Value(field string) (uint64, bool) { return valueOf(s.Fields, field) }

// Value gives the number in the field of that name in the specification, such as "PRE_EOL_INFO". It is false where there is none.
func (h *Health) Value(field string) (uint64, bool) { return valueOf(h.Fields, field) }
