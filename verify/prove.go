package verify

import (
	"context"
	"crypto/sha256"
	"errors"
	"io"
	"slices"
	"time"

	"cardwright/flash"
)

// Prove reads a whole card back, as it was left, and compares it with the manifest. The caller flushed the card and dropped the
// cache before, and says in fromMedium whether that worked. The error is as for Prover.Whole; the Proof is then incomplete.
func Prove(ctx context.Context, card flash.Card, manifest *flash.Manifest, fromMedium bool) (*Proof, error) {
	p := NewProver(card, manifest, &flash.Meter{})
	err := p.Whole(ctx)
	return p.Proof(fromMedium), err
}

// Buffers is how many buffers of flash.BlockBytes a Prover takes, one more where a block differs.
const Buffers = 2

// A Prover reads one card back and collects what differs: the Whole of a card as it was left, or the Body, perhaps what was Changed
// in it, and then the Head of one that is being written. The manifest must be complete. One goroutine uses a Prover.
type Prover struct {
	card     flash.Card
	image    *flash.Manifest
	manifest *flash.Manifest // what the card is to hold: the image, but for blocks that were changed on purpose
	meter    *flash.Meter
	step     flash.Step           // under way, for errors and the meter
	buffers  [Buffers][]byte      // one is read into while the other is digested
	spare    []byte               // for looking twice at a block that differs; made when one does
	where    map[flash.Digest]int // content that occurs once in the image -> its block
	seen     []bool               // by block: it was compared
	bytes    int64
	took     time.Duration
	damaged  []spoiled
	samples  samples // of blocks that hold nothing known
}

// NewProver makes a prover; the meter sees every block that was compared, and every call that is under way.
func NewProver(card flash.Card, manifest *flash.Manifest, meter *flash.Meter) *Prover {
	return &Prover{
		card: flash.Watch(card, meter), image: manifest, manifest: manifest, meter: meter, step: flash.StepProof, where: whereFound(manifest),
		seen:    make([]bool, len(manifest.Blocks)),
		buffers: [Buffers][]byte{flash.AlignedBuffer(flash.BlockBytes), flash.AlignedBuffer(flash.BlockBytes)},
	}
}

// Whole proves every block but the free ones, here and everywhere. Damage does not end it. The error is a *flash.Error for StepProof: the context's, or the card's once
// it answers nothing at all any more.
func (p *Prover) Whole(ctx context.Context) error { return p.blocks(ctx, 0, len(p.manifest.Blocks)) }

// blocks proves the blocks from first up to, not including, end. While one block is digested the next is read already, so
// that a card is never idle.
func (p *Prover) blocks(ctx context.Context, first, end int) error {
	p.meter.Enter(p.step)
	began := time.Now()
	defer func() { p.took += time.Since(began) }()
	digests := newDigester()
	defer digests.close()
	for i, read := first, 0; i < end; i++ {
		if p.manifest.IsFree(i) {
			continue
		}
		b := p.manifest.Block(i)
		held, err := p.read(ctx, b, p.buffers[read%Buffers]) // in turn, since the other one is being digested
		read++
		p.settle(digests)
		if err != nil {
			return err
		}
		if held == nil {
			p.compared(b)
			continue
		}
		digests.start(b, held)
	}
	p.settle(digests)
	return nil
}

// settle compares the block that was digested meanwhile, if there is one.
func (p *Prover) settle(digests *digester) {
	b, held, digest, ok := digests.result()
	if !ok {
		return
	}
	if digest != p.manifest.Blocks[b.Index] {
		p.note(p.judge(b, held, digest))
	}
	p.compared(b)
}

// compared counts a block.
func (p *Prover) compared(b flash.Block) {
	p.seen[b.Index] = true
	p.bytes += int64(b.LengthBytes)
	p.meter.Proved(b.LengthBytes)
}

// Proof sums up what was read so far; fromMedium says whether the cache had been dropped.
func (p *Prover) Proof(fromMedium bool) *Proof {
	proof := &Proof{Bytes: p.bytes, Seconds: p.took.Seconds(), FromMedium: fromMedium, Damage: joined(p.damaged)}
	if p.took > 0 {
		proof.BytesPerSecond = float64(p.bytes) / p.took.Seconds()
	}
	proof.TrueSizeBytes = p.trueSize()
	return proof
}

// Sound tells whether nothing differed so far.
func (p *Prover) Sound() bool { return len(p.damaged) == 0 }

// again proves one block once more. It counts in no figure.
func (p *Prover) again(ctx context.Context, b flash.Block) error {
	held, err := p.read(ctx, b, p.buffers[0])
	if err != nil || held == nil {
		return err
	}
	if digest := flash.Digest(sha256.Sum256(held)); digest != p.manifest.Blocks[b.Index] {
		p.note(p.judge(b, held, digest))
	}
	return nil
}

// read reads one block, and gives nil where that failed though the card still answers elsewhere, which is damage.
func (p *Prover) read(ctx context.Context, b flash.Block, buffer []byte) ([]byte, error) {
	if ctx.Err() != nil {
		return nil, &flash.Error{Step: p.step, OffsetBytes: b.OffsetBytes, Err: context.Cause(ctx)}
	}
	held, err := p.readInto(buffer, b)
	if err == nil {
		return held, nil
	}
	if errors.Is(err, flash.ErrGone) || !p.answers(b) {
		return nil, &flash.Error{Step: p.step, OffsetBytes: b.OffsetBytes, LengthBytes: int64(b.LengthBytes), Err: err}
	}
	p.note(spoiled{Block: b, kind: KindUnreadable})
	return nil, nil
}

// readInto reads a block, in whole sectors, and gives the image's part of it.
func (p *Prover) readInto(buffer []byte, b flash.Block) ([]byte, error) {
	sector := p.card.SectorBytes()
	whole := (b.LengthBytes + sector - 1) / sector * sector
	n, err := p.card.ReadAt(buffer[:whole], b.OffsetBytes)
	if err == nil && n < whole {
		err = io.ErrUnexpectedEOF
	}
	return buffer[:b.LengthBytes], err
}

// answers tells whether a card that failed to read a block still answers anywhere: at its start, before that block, or at
// the image's end.
func (p *Prover) answers(failed flash.Block) bool {
	probe := p.second()[:min(flash.AlignBytes, p.card.SizeBytes())]
	step := int64(len(probe))
	end := (p.manifest.ImageBytes - 1) / step * step
	for _, offsetBytes := range []int64{0, max(0, failed.OffsetBytes-step), end} {
		if offsetBytes+step > p.card.SizeBytes() {
			continue
		}
		if _, err := p.card.ReadAt(probe, offsetBytes); err == nil {
			return true
		}
	}
	return false
}

// judge names the kind of a block that differs. It looks a second time to tell a card that cannot make up its mind.
func (p *Prover) judge(b flash.Block, held []byte, first flash.Digest) spoiled {
	s := spoiled{Block: b, kind: KindChanged}
	switch from, known := p.where[first]; {
	case only(held, 0x00):
		s.kind = KindZeros
	case only(held, 0xFF):
		s.kind = KindOnes
	case known && from != b.Index: // else it holds what it held before it was changed
		s.kind, s.fromBytes = KindDisplaced, p.manifest.Block(from).OffsetBytes
	}
	again, err := p.readInto(p.second(), b)
	if err != nil || flash.Digest(sha256.Sum256(again)) != first {
		s.kind = KindUnstable
	}
	if s.kind == KindChanged && !p.noted(b) {
		p.samples.take(b, held)
	}
	return s
}

// second is a buffer for a second look.
func (p *Prover) second() []byte {
	if p.spare == nil {
		p.spare = flash.AlignedBuffer(flash.BlockBytes)
	}
	return p.spare
}

// note adds a damaged block, once.
func (p *Prover) note(s spoiled) {
	if !p.noted(s.Block) {
		p.damaged = append(p.damaged, s)
	}
}

// noted tells whether a block is known to be damaged.
func (p *Prover) noted(b flash.Block) bool {
	return slices.ContainsFunc(p.damaged, func(s spoiled) bool { return s.Index == b.Index })
}

func only(held []byte, value byte) bool {
	for _, b := range held {
		if b != value {
			return false
		}
	}
	return true
}

// whereFound tells for each content that occurs once in the image in which block it is; content that occurs more than
// once is no witness of a displacement. Free blocks count for nothing: they were not written, so nothing comes from them.
func whereFound(m *flash.Manifest) map[flash.Digest]int {
	const several = -1
	where := make(map[flash.Digest]int, len(m.Blocks))
	for i, d := range m.Blocks {
		if m.IsFree(i) {
			continue
		}
		if _, seen := where[d]; seen {
			i = several
		}
		where[d] = i
	}
	for d, i := range where {
		if i == several {
			delete(where, d)
		}
	}
	return where
}
