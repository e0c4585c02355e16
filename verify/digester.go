package verify

import (
	"crypto/sha256"

	"cardwright/flash"
)

// A digester digests one block in a goroutine of its own, while its owner reads the next from the card.
type digester struct {
	block  flash.Block
	held   []byte // nil when nothing is under way
	work   chan []byte
	digest chan flash.Digest
}

func newDigester() *digester {
	d := &digester{work: make(chan []byte, 1), digest: make(chan flash.Digest, 1)}
	go func() { // ends with close
		for held := range d.work {
			d.digest <- sha256.Sum256(held)
		}
	}()
	return d
}

// start digests a block. The one before must have been taken by result, and held stays as it is until this one is.
func (d *digester) start(b flash.Block, held []byte) {
	d.block, d.held = b, held
	d.work <- held
}

// result waits for the digest of the block that was started last; ok is false where there is none.
func (d *digester) result() (b flash.Block, held []byte, digest flash.Digest, ok bool) {
	if d.held == nil {
		return b, nil, digest, false
	}
	held, d.held = d.held, nil
	return d.block, held, <-d.digest, true
}

// close ends the goroutine.
func (d *digester) close() { close(d.work) }
