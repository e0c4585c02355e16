package verify

import (
	"context"
	"crypto/sha256"
	"slices"

	"cardwright/flash"
)

// Between the body's proof and the head, a card may be given what is its own: blocks are read, changed, written again and proven
// by digests of their own. The image's manifest is shared by all cards and stays as it is.

// Held reads a block of the body, to be changed, and compares it once more. It gives nil where the block is damaged by now. The
// bytes are the caller's until the next call, and go on behind the image's last one to the end of the card's sector. Errors are
// those of Whole, but for StepFiles. It counts in no figure.
func (p *Prover) Held(ctx context.Context, index int) ([]byte, error) {
	p.step = flash.StepFiles
	b := p.manifest.Block(index)
	held, err := p.read(ctx, b, p.buffers[0])
	if err != nil || held == nil {
		return nil, err
	}
	if digest := flash.Digest(sha256.Sum256(held)); digest != p.manifest.Blocks[index] {
		p.note(p.judge(b, held, digest))
		return nil, nil
	}
	return held, nil
}

// Changed tells what blocks hold from now on, the head among them, and proves those of the body. On a card that wraps its addresses
// a change can show in another block as well, where the image holds the same in both: these are proven again too. Errors are those
// of Held.
func (p *Prover) Changed(ctx context.Context, digests map[int]flash.Digest) error {
	p.step = flash.StepFiles
	p.manifest = &flash.Manifest{ImageBytes: p.image.ImageBytes, Blocks: slices.Clone(p.image.Blocks), Free: p.image.Free}
	touched := map[flash.Digest]bool{}
	for index, digest := range digests {
		p.manifest.Blocks[index] = digest
		touched[p.image.Blocks[index]] = touched[p.image.Blocks[index]] || index != 0
	}
	for index, digest := range p.image.Blocks {
		if index == 0 || !touched[digest] || p.image.IsFree(index) {
			continue
		}
		if err := p.again(ctx, p.manifest.Block(index)); err != nil {
			return err
		}
	}
	return nil
}
