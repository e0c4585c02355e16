package capacity

import (
	"crypto/sha256"
	"encoding/binary"
	"hash/crc32"
	"math/rand/v2"
)

// StampBytes is the length of a stamp: the smallest sector there is, so that a boundary is found to the sector. A larger sector
// holds several stamps, each of its own place.
const StampBytes = 512

// A stamp, in bytes (numbers are little-endian):
//
//	  0   8  the letters "cdwstamp"
//	  8  16  the run's key: the first 16 bytes of the SHA-256 of its seed
//	 24   8  the place: the byte offset on the card
//	 32   4  the pass within the run
//	 36   4  zeros
//	 40 468  a pattern of ChaCha8, keyed by run, place and pass
//	508   4  CRC-32 (IEEE) of all before it
const (
	stampMagic   = "cdwstamp"
	stampKeyAt   = 8
	stampPlaceAt = 24
	stampPassAt  = 32
	stampFillAt  = 40
	stampSumAt   = 508
)

// A Stamper makes the stamps of one run and knows them again. Its methods may be called by several goroutines.
type Stamper struct{ key [16]byte }

// NewStamper makes the stamper of a seed; the same seed gives the same stamps.
func NewStamper(seed string) Stamper {
	sum := sha256.Sum256([]byte(seed))
	return Stamper{key: [16]byte(sum[:16])}
}

// Fill fills p, a whole number of stamps, with the stamps of the places from offsetBytes on.
func (s Stamper) Fill(p []byte, offsetBytes int64, pass uint32) {
	var pattern rand.ChaCha8 // one for all: a new one for each stamp would be most of the work
	for at := 0; at < len(p); at += StampBytes {
		s.fill(p[at:at+StampBytes], offsetBytes+int64(at), pass, &pattern)
	}
}

func (s Stamper) fill(p []byte, offsetBytes int64, pass uint32, pattern *rand.ChaCha8) {
	clear(p[:stampFillAt])
	copy(p, stampMagic)
	copy(p[stampKeyAt:], s.key[:])
	binary.LittleEndian.PutUint64(p[stampPlaceAt:], uint64(offsetBytes))
	binary.LittleEndian.PutUint32(p[stampPassAt:], pass)
	var seed [32]byte
	copy(seed[:], p[stampKeyAt:stampFillAt])
	pattern.Seed(seed)
	_, _ = pattern.Read(p[stampFillAt:stampSumAt]) // documented never to fail
	binary.LittleEndian.PutUint32(p[stampSumAt:], crc32.ChecksumIEEE(p[:stampSumAt]))
}

// A Reading is what one sector's worth of bytes was recognised as.
type Reading struct {
	Sound       bool // a whole stamp of some run
	Ours        bool // of this one
	OffsetBytes int64
	Pass        uint32
}

// Read recognises a stamp. Bytes that are no whole stamp, down to the last bit, are not sound.
func (s Stamper) Read(p []byte) Reading {
	if len(p) < StampBytes || string(p[:stampKeyAt]) != stampMagic ||
		binary.LittleEndian.Uint32(p[stampSumAt:]) != crc32.ChecksumIEEE(p[:stampSumAt]) {
		return Reading{}
	}
	return Reading{
		Sound:       true,
		Ours:        [16]byte(p[stampKeyAt:stampPlaceAt]) == s.key,
		OffsetBytes: int64(binary.LittleEndian.Uint64(p[stampPlaceAt:])),
		Pass:        binary.LittleEndian.Uint32(p[stampPassAt:]),
	}
}
