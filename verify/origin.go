package verify

import (
	"cmp"
	"context"
	"crypto/sha256"
	"errors"
	"hash/maphash"
	"io"
	"slices"

	"cardwright/flash"
)

// A block that differs may hold another place of the image, shifted by less than a block: a card that wraps its addresses
// at a size that is no multiple of a block does that. No block's digest shows it. So the prover keeps samples of what such
// blocks hold, and finds them when it is shown the image a second time.

const (
	// sampledBytes is the length of a sample: the smallest sector of any card, so that a shift is found exactly.
	sampledBytes = 512
	// Of the first so many damaged blocks many samples are kept, of each later one fewer.
	wellSampledBlocks, samplesPerBlock, samplesPerLaterBlock = 256, 64, 8
)

// ErrOtherImage says that the image, read a second time, is not what it was.
var ErrOtherImage = errors.New("the image is not the same any more")

// A sample is one sector that the card holds in a damaged block, and where in the image its content occurs.
type sample struct {
	block   int
	atBytes int64 // where on the card
	place
}

// A place is where a content occurs in the image.
type place struct {
	fromBytes int64
	times     int // how often; content that occurs more than once is no witness
}

// samples are what was kept of the damaged blocks.
type samples struct {
	seed   maphash.Seed
	kept   []sample
	by     map[uint64][]int // by the content's hash: which of the kept
	blocks int
}

// take keeps sectors of what a block holds, the first and the last that tell anything among them.
func (s *samples) take(b flash.Block, held []byte) {
	if s.by == nil {
		s.seed, s.by = maphash.MakeSeed(), map[uint64][]int{}
	}
	var telling []int
	for at := 0; at+sampledBytes <= len(held); at += sampledBytes {
		if sector := held[at : at+sampledBytes]; !only(sector, sector[0]) {
			telling = append(telling, at)
		}
	}
	count := samplesPerBlock
	if s.blocks++; s.blocks > wellSampledBlocks {
		count = samplesPerLaterBlock
	}
	count = min(count, len(telling))
	for i := range count {
		at := telling[i*(len(telling)-1)/max(1, count-1)]
		hash := maphash.Bytes(s.seed, held[at:at+sampledBytes])
		s.by[hash] = append(s.by[hash], len(s.kept))
		s.kept = append(s.kept, sample{block: b.Index, atBytes: b.OffsetBytes + int64(at)})
	}
}

// find looks for the samples in a part of the image; its last sector goes on in zeros, as it does on the card.
func (s *samples) find(offsetBytes int64, data []byte) {
	if odd := len(data) % sampledBytes; odd > 0 {
		data = append(data, make([]byte, sampledBytes-odd)...)
	}
	for at := 0; at < len(data); at += sampledBytes {
		for _, i := range s.by[maphash.Bytes(s.seed, data[at:at+sampledBytes])] {
			s.kept[i].fromBytes = offsetBytes + int64(at)
			s.kept[i].times++
		}
	}
}

// witnesses are the samples whose content occurs at one place of the image alone.
func (s *samples) witnesses() (found []sample) {
	for _, k := range s.kept {
		if k.times == 1 {
			found = append(found, k)
		}
	}
	return found
}

// Unexplained tells whether a second look at the image may tell more: where a block holds neither the image nor any other
// whole block of it.
func (p *Prover) Unexplained() bool { return len(p.samples.kept) > 0 }

// LookAgain reads the same image a second time, to find out where the content of damaged blocks comes from; Proof then
// tells. The error is the image's or the context's, or ErrOtherImage; the proof is then as it was.
func (p *Prover) LookAgain(ctx context.Context, image io.Reader) error {
	again := p.samples
	again.kept = append([]sample(nil), p.samples.kept...)
	buffer := p.second()
	for i := range p.manifest.Blocks {
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		b := p.manifest.Block(i)
		data := buffer[:b.LengthBytes]
		if _, err := io.ReadFull(image, data); errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			return ErrOtherImage
		} else if err != nil {
			return err
		}
		if flash.Digest(sha256.Sum256(data)) != p.image.Blocks[i] {
			return ErrOtherImage
		}
		if !p.manifest.IsFree(i) { // it was not written, so nothing comes from it
			again.find(b.OffsetBytes, data)
		}
	}
	if _, err := io.ReadFull(image, buffer[:1]); !errors.Is(err, io.EOF) {
		return cmp.Or(err, ErrOtherImage)
	}
	p.samples = again
	p.explain()
	return nil
}

// explain names the blocks that were displaced as a whole: all that was found of them lies at one distance, and nothing that
// tells anything is strange to the image. A single witness is enough where the card's true size accounts for the distance.
func (p *Prover) explain() {
	of := map[int][]sample{}
	for _, k := range p.samples.kept {
		if k.times < 2 {
			of[k.block] = append(of[k.block], k)
		}
	}
	size := p.trueSize()
	for i := range p.damaged {
		s := &p.damaged[i]
		if s.kind != KindChanged || len(of[s.Index]) == 0 {
			continue
		}
		distance := of[s.Index][0].fromBytes - of[s.Index][0].atBytes
		from, accounted := s.OffsetBytes+distance, size != nil && distance%*size == 0
		strange := slices.ContainsFunc(of[s.Index], func(k sample) bool {
			return k.times == 0 || k.fromBytes-k.atBytes != distance
		})
		if !strange && distance != 0 && (accounted || len(of[s.Index]) > 1) &&
			from >= 0 && from+int64(s.LengthBytes) <= p.manifest.ImageBytes {
			s.kind, s.fromBytes = KindDisplaced, from
		}
	}
}
