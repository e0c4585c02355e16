package xz

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"hash"
	"hash/crc32"
)

const (
	noCheck       = 0x00
	crc32Check    = 0x01
	crc64Check    = 0x04
	sha256Check   = 0x0a
	maxCheckBytes = 64
)

// checkBytes is the length of a check of that kind, and whether the kind is known.
func checkBytes(id byte) (lengthBytes int, known bool) {
	switch id {
	case noCheck:
		return 0, true
	case crc32Check:
		return crc32.Size, true
	case crc64Check:
		return 8, true
	case sha256Check:
		return sha256.Size, true
	default:
		return 0, false
	}
}

// A check sums what a block decodes to.
type check struct {
	id     byte
	crc32  uint32
	crc64  uint64
	tables *crc64Tables
	digest hash.Hash // made once, when the first block with SHA-256 comes
}

// reset begins a new block.
func (c *check) reset(id byte) {
	c.id, c.crc32, c.crc64 = id, 0, 0
	switch {
	case id == crc64Check && c.tables == nil:
		c.tables = newCRC64Tables()
	case id == sha256Check && c.digest == nil:
		c.digest = sha256.New()
	case id == sha256Check:
		c.digest.Reset()
	}
}

func (c *check) write(b []byte) {
	switch c.id {
	case crc32Check:
		c.crc32 = crc32.Update(c.crc32, crc32.IEEETable, b)
	case crc64Check:
		c.crc64 = c.tables.update(c.crc64, b)
	case sha256Check:
		c.digest.Write(b)
	}
}

// matches tells whether a stored check is that of what was written.
func (c *check) matches(stored []byte) bool {
	switch c.id {
	case crc32Check:
		return binary.LittleEndian.Uint32(stored) == c.crc32
	case crc64Check:
		return binary.LittleEndian.Uint64(stored) == c.crc64
	case sha256Check:
		return bytes.Equal(stored, c.digest.Sum(nil))
	default:
		return true
	}
}
