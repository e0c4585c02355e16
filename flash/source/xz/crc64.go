package xz

import "encoding/binary"

const (
	crc64Polynomial = 0xc96c5795d7870f42 // ECMA-182, lowest bit first
	laneBytes       = 2048
)

var zeroLanes [3 * laneBytes]byte

// crc64Tables compute the CRC-64 of the format. A CRC is a chain of dependent steps, so that a processor which could do three
// at once waits for the first: long input is therefore cut into three lanes that are summed side by side, and their sums are
// joined. It is more than twice as fast as one chain. Zeros, of which images are full, are only compared: what they do to a sum
// is known.
type crc64Tables struct {
	step [8][256]uint64 // step[i][b] is what byte b does to a sum from i bytes further on
	lane [8][256]uint64 // lane[i][b] is byte i of a sum after a lane of zeros more

	hasLanes bool
}

func newCRC64Tables() *crc64Tables {
	t := new(crc64Tables)
	for b := range 256 {
		sum := uint64(b)
		for range 8 {
			sum = timesX(sum)
		}
		t.step[0][b] = sum
	}
	for i := 1; i < 8; i++ {
		for b := range 256 {
			before := t.step[i-1][b]
			t.step[i][b] = before>>8 ^ t.step[0][byte(before)]
		}
	}
	return t
}

// prepareLanes fills the table that joins lanes. Short files need none.
func (t *crc64Tables) prepareLanes() {
	shift := uint64(1) << 63 // the polynomial 1
	for range laneBytes * 8 {
		shift = timesX(shift)
	}
	for i := range t.lane {
		for bit := range 8 { // a sum of two is the sum of their results
			product := times(shift, 1<<(8*i+bit))
			for b := range 1 << bit {
				t.lane[i][1<<bit+b] = t.lane[i][b] ^ product
			}
		}
	}
	t.hasLanes = true
}

// timesX multiplies a polynomial, whose highest bit is that of x^0, by x.
func timesX(a uint64) uint64 {
	return a>>1 ^ crc64Polynomial&-(a&1)
}

func times(a, b uint64) (product uint64) {
	for bit := uint64(1) << 63; bit != 0; bit >>= 1 {
		if a&bit != 0 {
			product ^= b
		}
		b = timesX(b)
	}
	return product
}

// update adds bytes to a sum, which is 0 for none.
func (t *crc64Tables) update(sum uint64, b []byte) uint64 {
	sum = ^sum
	if len(b) >= 3*laneBytes && !t.hasLanes {
		t.prepareLanes()
	}
	for len(b) >= 3*laneBytes {
		lanes := (*[3 * laneBytes]byte)(b)
		if *lanes == zeroLanes {
			sum = t.overLane(t.overLane(t.overLane(sum)))
		} else {
			sum = t.lanes(sum, lanes)
		}
		b = b[3*laneBytes:]
	}
	for len(b) >= 8 {
		sum = t.word(sum ^ binary.LittleEndian.Uint64(b))
		b = b[8:]
	}
	for _, v := range b {
		sum = t.step[0][byte(sum)^v] ^ sum>>8
	}
	return ^sum
}

// lanes sums three lanes side by side and joins them.
func (t *crc64Tables) lanes(first uint64, b *[3 * laneBytes]byte) uint64 {
	var second, third uint64
	one, two, three := b[:laneBytes], b[laneBytes:2*laneBytes], b[2*laneBytes:]
	for i := 0; i <= laneBytes-8; i += 8 {
		first = t.word(first ^ binary.LittleEndian.Uint64(one[i:i+8]))
		second = t.word(second ^ binary.LittleEndian.Uint64(two[i:i+8]))
		third = t.word(third ^ binary.LittleEndian.Uint64(three[i:i+8]))
	}
	return t.overLane(t.overLane(first)^second) ^ third
}

// word is a sum, into which eight bytes were mixed, behind these eight.
func (t *crc64Tables) word(sum uint64) uint64 {
	return t.step[7][byte(sum)] ^ t.step[6][byte(sum>>8)] ^ t.step[5][byte(sum>>16)] ^ t.step[4][byte(sum>>24)] ^
		t.step[3][byte(sum>>32)] ^ t.step[2][byte(sum>>40)] ^ t.step[1][byte(sum>>48)] ^ t.step[0][byte(sum>>56)]
}

// overLane is a sum after a lane of zeros more.
func (t *crc64Tables) overLane(sum uint64) uint64 {
	return t.lane[0][byte(sum)] ^ t.lane[1][byte(sum>>8)] ^ t.lane[2][byte(sum>>16)] ^ t.lane[3][byte(sum>>24)] ^
		t.lane[4][byte(sum>>32)] ^ t.lane[5][byte(sum>>40)] ^ t.lane[6][byte(sum>>48)] ^ t.lane[7][byte(sum>>56)]
}
