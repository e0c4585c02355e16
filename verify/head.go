package verify

import (
	"context"
	"crypto/sha256"
	"errors"

	"cardwright/flash"
)

// The head is withheld while the body is proven. On a card that wraps its addresses, a block of the body may share its
// place with the head: it then stands in the head's place before the head is written, and is lost under the head after.
// Body and Head look for the two.

// Body proves every block but the head, before that is written, and that none of them went to the head's place, whose first
// ClearBytes were zeroed. Errors are those of Whole.
func (p *Prover) Body(ctx context.Context) error {
	if err := p.blocks(ctx, 1, len(p.manifest.Blocks)); err != nil || len(p.manifest.Blocks) < 2 {
		return err
	}
	return p.headStaysClear(ctx)
}

// Head proves the head after it was written, and once more those blocks that it could have overwritten. Errors are those of
// Whole, but for StepHead: a card that fails now may keep its head.
func (p *Prover) Head(ctx context.Context) error {
	p.step = flash.StepHead
	if err := p.blocks(ctx, 0, 1); err != nil {
		return err
	}
	return p.apartFromHead(ctx)
}

// headStaysClear looks at the head's place between the body's proof and the head's writing.
func (p *Prover) headStaysClear(ctx context.Context) error {
	b := p.manifest.Block(0)
	held, err := p.read(ctx, b, p.buffers[0])
	if err != nil || held == nil {
		return err
	}
	digest := flash.Digest(sha256.Sum256(held))
	cleared := only(held[:min(flash.ClearBytes, len(held))], 0)
	if _, ofImage := p.where[digest]; ofImage && !only(held, 0) {
		cleared = false
	}
	if !cleared {
		p.note(p.judge(b, held, digest))
	}
	return nil
}

// apartFromHead proves those blocks again that a wrapping card could have put in the head's place unseen. Where the card wraps
// within block k or at its start, the head shares its place with k and perhaps with the block after it.
func (p *Prover) apartFromHead(ctx context.Context) error {
	last := len(p.manifest.Blocks) - 1
	proved := last + 1 // the latest to be proved
	for k := last; k >= 1; k-- {
		if p.knownApart(k) {
			continue
		}
		for _, i := range []int{k + 1, k} {
			if i >= proved || p.manifest.IsFree(i) {
				continue
			}
			proved = i
			if err := p.again(ctx, p.manifest.Block(i)); err != nil {
				return err
			}
		}
	}
	return nil
}

// knownApart tells whether the body's proof would have shown it if the head shared its place with block k: a block after k would
// then stand in the place of one from the second on, over another content. Of what is free nothing was shown, and the last block
// may be so short that it only reaches into the block before.
func (p *Prover) knownApart(k int) bool {
	last := len(p.image.Blocks) - 1
	for j := 1; k+j <= last; j++ {
		if p.image.IsFree(j) || p.image.IsFree(k+j) || k+j == last && (j == 1 || p.image.IsFree(j-1)) {
			continue
		}
		if p.image.Blocks[k+j] != p.image.Blocks[j] {
			return true
		}
	}
	return false
}

// ErrNotCleared says that a card holds something where zeros were written to it.
var ErrNotCleared = errors.New("zeros were written, and something else was read back")

// Cleared reads the card's first flash.ClearBytes, which were zeroed. The error is the card's or ErrNotCleared.
func Cleared(card flash.Card) error {
	held := flash.AlignedBuffer(int(min(flash.ClearBytes, card.SizeBytes())))
	if _, err := card.ReadAt(held, 0); err != nil {
		return err
	}
	if !only(held, 0) {
		return ErrNotCleared
	}
	return nil
}
