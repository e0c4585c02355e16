package xz

import (
	"hash/crc64"
	"math/rand/v2"
	"testing"
)

// The check value of the nine digits is the one that catalogues of CRCs list for this CRC; from memory.
func TestCRC64OfTheNineDigits(t *testing.T) {
	if got := newCRC64Tables().update(0, []byte("123456789")); got != 0x995dc9bbdf1939fa {
		t.Errorf("CRC-64 %#x, want 0x995dc9bbdf1939fa", got)
	}
}

// The standard library computes the same CRC, one byte after another.
func TestCRC64IsThatOfTheStandardLibrary(t *testing.T) {
	tables, want := newCRC64Tables(), crc64.MakeTable(crc64.ECMA)
	random := rand.New(rand.NewPCG(1, 64))
	const lanes = 3 * laneBytes
	for _, length := range []int{0, 1, 7, 8, 9, lanes - 1, lanes, lanes + 1, 5*lanes + 13} {
		for _, zeros := range [][2]int{{0, 0}, {0, length}, {1, length}, {0, length - 1}, {lanes, 2 * lanes}, {lanes + 1, 3 * lanes}} {
			b := make([]byte, length)
			for i := range b {
				b[i] = byte(1 + random.IntN(255))
			}
			if to := min(max(zeros[1], 0), length); zeros[0] < to {
				clear(b[zeros[0]:to])
			}
			for _, cut := range []int{0, length / 3, length} {
				got := tables.update(tables.update(0, b[:cut]), b[cut:])
				if want := crc64.Checksum(b, want); got != want {
					t.Errorf("%d bytes, zeros from %d to %d, cut at %d: CRC-64 %#x, want %#x", length, zeros[0], zeros[1], cut, got, want)
				}
			}
		}
	}
}
