package flash

import (
	"context"
	"unsafe"
)

// A Pool is a fixed number of aligned buffers of BlockBytes each. Whoever takes one gives it back; nothing is allocated
// after NewPool, which bounds a run's memory and lets a slow taker hold the others back.
type Pool struct {
	free chan []byte
}

// NewPool allocates a pool of n buffers.
func NewPool(n int) *Pool {
	p := &Pool{free: make(chan []byte, n)}
	for range n {
		p.free <- AlignedBuffer(BlockBytes)
	}
	return p
}

// Take waits for a free buffer. Its content is whatever was left in it. The only error is the context's.
func (p *Pool) Take(ctx context.Context) ([]byte, error) {
	select {
	case buffer := <-p.free:
		return buffer, nil
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	}
}

// Give hands a buffer back. It must have come from Take, and nobody may use it any more.
func (p *Pool) Give(buffer []byte) { p.free <- buffer[:BlockBytes] }

// AlignedBuffer allocates a buffer of n bytes that starts at a multiple of AlignBytes, as direct I/O wants it.
func AlignedBuffer(n int) []byte {
	room := make([]byte, n+AlignBytes)
	skip := 0
	if odd := int(uintptr(unsafe.Pointer(unsafe.SliceData(room))) % AlignBytes); odd != 0 {
		skip = AlignBytes - odd
	}
	return room[skip : skip+n : skip+n]
}
