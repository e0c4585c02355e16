package identity

// The checksum is no part of what the package offers, so it is tested from within.

import (
	"encoding/hex"
	"testing"
)

// TestCRC7 takes commands, responses and a CID from a public machine emulator's test of its SD model, which cites chapter 4.5 of
// the Physical Layer Specification; CMD8's is in a public header file.
func TestCRC7(t *testing.T) {
	for _, c := range []struct {
		name, message  string
		want, lastByte byte
	}{
		{"CMD0", "4000000000", 0x4a, 0x95},
		{"CMD17", "5100000000", 0x2a, 0x55},
		{"response to CMD17", "1100000900", 0x33, 0x67},
		{"CMD55", "7700000000", 0x32, 0x65},
		{"ACMD41", "6900100000", 0x2f, 0x5f},
		{"CMD2", "4200000000", 0x26, 0x4d},
		{"response to CMD55", "3700000120", 0x41, 0x83},
		{"response to CMD3", "03b3680500", 0x0c, 0x19},
		{"CMD8", "48000001aa", 0x43, 0x87},
		{"contents of a CID", "1d4144534420202010a0400bc10088", 0x56, 0xad},
	} {
		message, err := hex.DecodeString(c.message)
		if err != nil {
			t.Fatal(err)
		}
		if got := crc7(message); got != c.want || got<<1|1 != c.lastByte {
			t.Errorf("%s: got 0x%02x, want 0x%02x", c.name, got, c.want)
		}
	}
}
