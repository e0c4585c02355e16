package capacity

import (
	"encoding/binary"
	"math/bits"
)

// foreignBits is from how many differing bits on a stamp is no changed one of ours any more: a quarter of all. Of bytes that have
// nothing to do with it, half differ.
const foreignBits = StampBytes * 8 / 4

// A recogniser tells what is read where stamps of one pass were written.
type recogniser struct {
	stamps      Stamper
	pass        uint32
	orNext      bool // the next pass is this one as well
	sizeBytes   int64
	sectorBytes int // at least a stamp
	spare       [StampBytes]byte
	distance    int64 // of the last displaced stamp
}

// block goes through what was read at a place, whole sectors, and notes it.
func (r *recogniser) block(p []byte, offsetBytes int64, found *outcome) {
	length := int64(r.sectorBytes)
	for at := 0; at < len(p); at += r.sectorBytes {
		place := offsetBytes + int64(at)
		kind, from := r.sector(p[at:at+r.sectorBytes], place)
		if kind == "" {
			found.sound(place, length)
			continue
		}
		found.bad(Range{place, length, kind, from})
	}
}

// sector tells what is bad about a sector: the kind of its first stamp that is not sound, "" where all are.
func (r *recogniser) sector(p []byte, offsetBytes int64) (Kind, int64) {
	for at := 0; at < len(p); at += StampBytes {
		switch kind, from := r.stamp(p[at:at+StampBytes], offsetBytes+int64(at)); kind {
		case "":
		case displaced:
			return kind, max(0, from-int64(at))
		default:
			return kind, -1
		}
	}
	return "", -1
}

// stamp tells what is bad about one stamp, and of a displaced one whose it is.
func (r *recogniser) stamp(p []byte, offsetBytes int64) (kind Kind, fromBytes int64) {
	switch reading := r.stamps.Read(p); {
	case reading.Sound && (!reading.Ours || reading.Pass != r.pass && !(r.orNext && reading.Pass == r.pass+1)):
		return Stale, -1
	case reading.Sound && reading.OffsetBytes == offsetBytes:
		return "", -1
	case reading.Sound && r.isPlace(reading.OffsetBytes):
		r.distance = reading.OffsetBytes - offsetBytes
		return displaced, reading.OffsetBytes
	case isUniform(p):
		return Dropped, -1
	}
	for _, place := range []int64{offsetBytes, offsetBytes + r.distance, int64(binary.LittleEndian.Uint64(p[stampPlaceAt:]))} {
		if r.isPlace(place) && r.resembles(p, place) {
			return Changed, -1
		}
	}
	return Dropped, -1
}

// isUniform tells whether all bytes are the same.
func isUniform(p []byte) bool {
	for _, b := range p {
		if b != p[0] {
			return false
		}
	}
	return true
}

func (r *recogniser) isPlace(offsetBytes int64) bool {
	return offsetBytes >= 0 && offsetBytes < r.sizeBytes && offsetBytes%StampBytes == 0
}

// resembles tells whether p is the stamp of a place but for some bits.
func (r *recogniser) resembles(p []byte, offsetBytes int64) bool {
	r.stamps.Fill(r.spare[:], offsetBytes, r.pass)
	return differingBits(p, r.spare[:]) < foreignBits
}

// differingBits counts the bits in which two runs of whole stamps differ.
func differingBits(p, q []byte) (count int) {
	for at := 0; at < len(p); at += 8 {
		count += bits.OnesCount64(binary.LittleEndian.Uint64(p[at:]) ^ binary.LittleEndian.Uint64(q[at:]))
	}
	return count
}
