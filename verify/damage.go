package verify

import (
	"slices"

	"cardwright/flash"
)

// A Kind says what a damaged run of blocks holds instead of the image.
type Kind string

// The kinds of damage, as records and reports show them.
const (
	KindZeros      Kind = "zeros"
	KindOnes       Kind = "ones"
	KindDisplaced  Kind = "displaced"
	KindUnstable   Kind = "unstable"
	KindUnreadable Kind = "unreadable"
	KindChanged    Kind = "changed"
)

// Damage is a run of neighbouring blocks that differ from the image in the same way.
type Damage struct {
	OffsetBytes int64  `json:"offset_bytes"`
	LengthBytes int64  `json:"length_bytes"`
	Kind        Kind   `json:"kind"`
	FromBytes   *int64 `json:"from_bytes"` // displaced: the image offset whose content the first block holds
	Partition   string `json:"partition"`  // which partition and file system it lies in; filled in by the caller
}

// A Proof is the outcome of reading back.
type Proof struct {
	Bytes          int64    `json:"bytes"` // how many bytes of the image were gone through; unreadable blocks count, free ones do not
	Seconds        float64  `json:"seconds"`
	BytesPerSecond float64  `json:"bytes_per_s"`
	FromMedium     bool     `json:"from_medium"`     // false where a cache could not be dropped
	TrueSizeBytes  *int64   `json:"true_size_bytes"` // where the damage shows address wrap: how large the card really is
	Damage         []Damage `json:"damage"`
}

// A spoiled block is one that differs, before neighbours of one kind are joined.
type spoiled struct {
	flash.Block
	kind      Kind
	fromBytes int64 // displaced only
}

// follows tells whether s goes on with the damage of the block before it.
func (s spoiled) follows(before spoiled) bool {
	return s.Index == before.Index+1 && s.kind == before.kind &&
		(s.kind != KindDisplaced || s.fromBytes-s.OffsetBytes == before.fromBytes-before.OffsetBytes)
}

// joined makes one Damage of each run of neighbouring blocks with the same kind and distance.
func joined(blocks []spoiled) []Damage {
	blocks = slices.Clone(blocks)
	slices.SortFunc(blocks, func(a, b spoiled) int { return a.Index - b.Index })
	runs := []Damage{}
	for i, s := range blocks {
		if i > 0 && s.follows(blocks[i-1]) {
			runs[len(runs)-1].LengthBytes += int64(s.LengthBytes)
			continue
		}
		d := Damage{OffsetBytes: s.OffsetBytes, LengthBytes: int64(s.LengthBytes), Kind: s.kind}
		if s.kind == KindDisplaced {
			d.FromBytes = new(s.fromBytes)
		}
		runs = append(runs, d)
	}
	return runs
}
