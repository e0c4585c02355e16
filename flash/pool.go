package flash

import (
	"context"
	"sync/atomic"
	"unsafe"
)

// A Pool is a fixed number of aligned buffers of BlockBytes each. Whoever takes one gives it back; nothing is allocated
// after NewPool, which bounds a run's memory and lets a slow taker hold the others back.
type Pool struct {
	free chan *piece
}

// A piece is one buffer of a pool with a block in it, on its way to several cards. The last holder gives it back.
type piece struct {
	Block
	buffer  []byte // BlockBytes
	data    []byte // the part of it that is image
	pool    *Pool
	holders atomic.Int32
}

// NewPool allocates a pool of n buffers.
func NewPool(n int) *Pool {
	p := &Pool{free: make(chan *piece, n)}
	for range n {
		p.free <- &piece{buffer: AlignedBuffer(BlockBytes), pool: p}
	}
	return p
}

// take waits for a free buffer and becomes its holder. Its content is whatever was left in it. The only error is the
// context's.
func (p *Pool) take(ctx context.Context) (*piece, error) {
	select {
	case piece := <-p.free:
		piece.holders.Store(1)
		return piece, nil
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	}
}

// hold adds a holder.
func (p *piece) hold() { p.holders.Add(1) }

// release ends one holding. The last one gives the buffer back.
func (p *piece) release() {
	if p.holders.Add(-1) == 0 {
		p.pool.free <- p
	}
}

// AlignedBuffer allocates a buffer of n bytes that starts at a multiple of AlignBytes, as direct I/O wants it.
func AlignedBuffer(n int) []byte {
	room := make([]byte, n+AlignBytes)
	skip := 0
	if odd := int(uintptr(unsafe.Pointer(unsafe.SliceData(room))) % AlignBytes); odd != 0 {
		skip = AlignBytes - odd
	}
	return room[skip : skip+n : skip+n]
}
