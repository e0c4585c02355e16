package cardlab

import (
	"errors"
	"fmt"
	"slices"
	"time"
)

// ErrTraits says that a card cannot have these traits.
var ErrTraits = errors.New("impossible traits")

// A Span is a range of bytes on a card.
type Span struct {
	OffsetBytes int64
	LengthBytes int64
}

// End is the offset of the first byte after the span.
func (s Span) End() int64 { return s.OffsetBytes + s.LengthBytes }

// Beyond says what a card does with addresses past its true size.
type Beyond uint8

// The ways of a card that states more than it has.
const (
	Wrap   Beyond = iota // the address is taken modulo the true size
	Drop                 // writes succeed and are forgotten, reads give zeros
	Refuse               // writes and reads fail with EIO
)

// Discards says what a card makes of a discard.
type Discards uint8

// The ways of a card that is told what it need not keep.
const (
	DiscardNone  Discards = iota // it takes none
	DiscardZeros                 // zeros are read there from then on
	DiscardNoise                 // anything is
)

// A Stall is a write that takes longer. Either OffsetBytes or EveryBytes places it.
type Stall struct {
	OffsetBytes int64         // stalls each write that covers this byte, where EveryBytes is 0
	EveryBytes  int64         // stalls once per this many bytes written since the card was plugged in
	For         time.Duration // how much longer the write takes
	Once        bool          // only the first such write stalls
}

// A Flip inverts bits of one byte on its way to or from the medium.
type Flip struct {
	OffsetBytes int64
	Mask        byte // the bits that are inverted; 0 stands for the lowest
	OnRead      bool // flips what is read; otherwise what is written
	Once        bool // only the first pass over the byte is flipped
}

// A BadRange fails with EIO. What comes before it in the same call is still moved.
type BadRange struct {
	Span
	Read, Write bool // which operations fail; at least one
}

// An After is an amount of traffic since the card was plugged in, counted in whole sectors; 0 stands for never. An amount
// of less than a sector is reached before the first operation.
type After struct {
	WrittenBytes int64
	ReadBytes    int64
}

// Traits describe a card. The zero value of every field but SizeBytes is that of a perfect card that takes no time.
// All offsets are addresses as the host uses them, not places on the medium.
type Traits struct {
	SizeBytes     int64  // as the card states it; a multiple of SectorBytes
	TrueSizeBytes int64  // how much the card really holds; 0: as much as it states
	Beyond        Beyond // what happens past TrueSizeBytes
	Discards      Discards
	SectorBytes   int // 512 to 4096, a power of two; 0: 512

	WriteBytesPerSecond int64         // 0: no limit
	ReadBytesPerSecond  int64         // 0: no limit
	CacheBytes          int64         // so many bytes since the card was plugged in are written at the cache's rate
	CacheBytesPerSecond int64         // 0: no limit
	RandomWriteCost     time.Duration // added to each write of at most SmallWriteBytes that does not follow on the last one
	FlushCost           time.Duration // how long each flush takes
	Stalls              []Stall

	Flips    []Flip
	Bad      []BadRange
	Unstable []Span // reads of these differ each time

	ReadOnlyAfterBytes int64 // writes fail once so many bytes were written in the card's life; 0: never
	ReadOnlyDrops      bool  // those writes succeed, and are forgotten
	GoneAfter          After // the card vanishes
	SilentAfter        After // the card answers no more: calls hang until Release or Pull

	// MemoryBytes is the card's own memory: so many of the last written bytes are answered from it, as they were written and at the
	// addresses that they were written to, whatever the medium made of them. Pulling the card empties it.
	MemoryBytes int64

	LyingFlushBytes int64 // a flush leaves so many of the last written bytes unsynced; pulling the card loses them

	OldContent bool   // a fresh card holds pseudo-random bytes; otherwise zeros
	Seed       uint64 // for OldContent and Unstable
}

// SmallWriteBytes is the longest write that RandomWriteCost applies to: 64 KiB.
const SmallWriteBytes = 64 << 10

// normal fills in what zero stands for and takes copies of the slices.
func (t Traits) normal() Traits {
	if t.TrueSizeBytes == 0 {
		t.TrueSizeBytes = t.SizeBytes
	}
	if t.SectorBytes == 0 {
		t.SectorBytes = 512
	}
	t.Stalls = slices.Clone(t.Stalls)
	t.Flips = slices.Clone(t.Flips)
	for i := range t.Flips {
		if t.Flips[i].Mask == 0 {
			t.Flips[i].Mask = 1
		}
	}
	t.Bad = slices.Clone(t.Bad)
	t.Unstable = slices.Clone(t.Unstable)
	return t
}

// check refuses what no card can be. It expects normal traits.
func (t Traits) check() error {
	if t.SectorBytes < 512 || t.SectorBytes > 4096 || t.SectorBytes&(t.SectorBytes-1) != 0 {
		return fmt.Errorf("%w: sectors of %d bytes", ErrTraits, t.SectorBytes)
	}
	sector := int64(t.SectorBytes)
	if t.SizeBytes <= 0 || t.SizeBytes%sector != 0 {
		return fmt.Errorf("%w: a size of %d bytes", ErrTraits, t.SizeBytes)
	}
	if t.TrueSizeBytes <= 0 || t.TrueSizeBytes > t.SizeBytes || t.TrueSizeBytes%sector != 0 {
		return fmt.Errorf("%w: a true size of %d bytes", ErrTraits, t.TrueSizeBytes)
	}
	if t.Beyond > Refuse {
		return fmt.Errorf("%w: beyond is %d", ErrTraits, t.Beyond)
	}
	return errors.Join(t.checkAmounts(), t.checkPlaces())
}

// checkAmounts refuses negative rates, amounts and times.
func (t Traits) checkAmounts() error {
	for _, amount := range []int64{
		t.WriteBytesPerSecond, t.ReadBytesPerSecond, t.CacheBytes, t.CacheBytesPerSecond,
		int64(t.RandomWriteCost), int64(t.FlushCost), t.ReadOnlyAfterBytes, t.LyingFlushBytes, t.MemoryBytes,
		t.GoneAfter.WrittenBytes, t.GoneAfter.ReadBytes, t.SilentAfter.WrittenBytes, t.SilentAfter.ReadBytes,
	} {
		if amount < 0 {
			return fmt.Errorf("%w: a negative amount, %d", ErrTraits, amount)
		}
	}
	for _, s := range t.Stalls {
		if s.For < 0 || s.EveryBytes < 0 || s.EveryBytes > 0 && s.OffsetBytes != 0 {
			return fmt.Errorf("%w: stall %+v", ErrTraits, s)
		}
	}
	return nil
}

// checkPlaces refuses places that are not on the card: such a trait would never show, and a test would pass for nothing.
func (t Traits) checkPlaces() error {
	places := slices.Clone(t.Unstable)
	for _, b := range t.Bad {
		if !b.Read && !b.Write {
			return fmt.Errorf("%w: the bad range at %d fails no operation", ErrTraits, b.OffsetBytes)
		}
		places = append(places, b.Span)
	}
	for _, f := range t.Flips {
		places = append(places, Span{f.OffsetBytes, 1})
	}
	for _, s := range t.Stalls {
		places = append(places, Span{s.OffsetBytes, 1})
	}
	for _, p := range places {
		if p.OffsetBytes < 0 || p.LengthBytes <= 0 || p.LengthBytes > t.SizeBytes-p.OffsetBytes {
			return fmt.Errorf("%w: %d bytes at %d are not on the card", ErrTraits, p.LengthBytes, p.OffsetBytes)
		}
	}
	return nil
}
