package xz

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"hash"
	"hash/crc32"
	"sync"
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

// A check sums what a block decodes to, at once or beside the decoding of what follows.
type check struct {
	id     byte
	crc32  uint32
	crc64  uint64
	tables *crc64Tables
	digest hash.Hash // made once, when the first block with SHA-256 comes
	beside func()    // sums piece in a goroutine of its own; nil: all is summed at once
	piece  []byte
	under  sync.WaitGroup // the summing of piece
}

// sumBeside lets pieces be summed in a goroutine of their own, which ends with each.
func (c *check) sumBeside() {
	c.beside = func() {
		defer c.under.Done()
		c.sum(c.piece)
	}
}

// settle waits until all that was written is summed. Before that, the memory of the last piece must stay as it is.
func (c *check) settle() { c.under.Wait() }

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

// write adds a piece. One that changes before settle is called must be summed at once.
func (c *check) write(b []byte, changes bool) {
	c.settle()
	if c.beside == nil || changes || c.id == noCheck {
		c.sum(b)
		return
	}
	c.piece = b
	c.under.Add(1)
	go c.beside() // ends with the piece; settle waits for it
}

func (c *check) sum(b []byte) {
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
	c.settle()
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
