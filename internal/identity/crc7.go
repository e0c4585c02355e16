package identity

import "fmt"

// crc7 is the checksum of registers and commands: polynomial x^7 + x^3 + 1, starting at 0, highest bit first (Physical Layer
// Specification 4.10, 4.5).
func crc7(message []byte) byte {
	const polynomial = 0x09 << 1 // the sum stands in the upper 7 bits
	var sum byte
	for _, b := range message {
		sum ^= b
		for range 8 {
			carry := sum&0x80 != 0
			sum <<= 1
			if carry {
				sum ^= polynomial
			}
		}
	}
	return sum >> 1
}

// sumIsRight holds the checksum at the end of a CID or CSD against its content. It is nil where the last byte is 0, as hosts
// deliver it that check the sum themselves and drop it. The end bit counts for nothing, because some hosts clear it alone.
func sumIsRight(register []byte) *bool {
	content, end := register[:len(register)-1], register[len(register)-1]
	if end == 0 {
		return nil
	}
	right := end>>1 == crc7(content)
	return &right
}

// endSpans are the last byte of a CID and of a CSD.
func endSpans(register []byte) []span {
	right := sumIsRight(register)
	return []span{
		{"CRC", 7, 1, func(uint64) string {
			switch {
			case right == nil:
				return "not delivered by the host"
			case *right:
				return "right"
			}
			return fmt.Sprintf("wrong: the content gives 0x%02x", crc7(register[:len(register)-1]))
		}},
		{"end bit", 0, 0, codes("cleared by the host", "1, as always")},
	}
}
