package capacity

import (
	"cmp"
	"math/bits"
	"slices"

	"cardwright/flash"
)

// displaced is what a stamp of another place is called until all was read: only then is known whether the card wraps.
const displaced Kind = "displaced"

// mostCrossings is how many ways of differing from its place a stamp's address may have where address lines are crossed or stuck,
// and mostLines how many lines these are in all. A wrap at no power of two makes more.
const (
	mostCrossings = 16
	mostLines     = 8
)

// An outcome is what reading back told so far, in bounded memory: the bad ranges, and what decides whether one true size explains
// them. Places come in ascending order.
type outcome struct {
	Ranges  []Range // at most MostRanges
	LeftOut int
	Last    Range          // the last one, listed or not: what a neighbour is joined to
	Bytes   map[Kind]int64 // by kind

	SoundBytes int64
	SoundFrom  int64 // the first sound place
	SoundEnd   int64 // behind the last one
	BadFrom    int64 // the first bad place

	// Of displaced stamps: the greatest number that divides every distance, the least place that one was of, whether one was of an
	// earlier place, and the ways in which addresses differed, at most mostCrossings.
	DistanceBytes int64
	FromLeast     int64
	Backwards     bool
	Crossings     []int64
	MoreCrossings bool

	// Wavered says that a call failed once and went through at another time: no size explains that.
	Wavered bool
}

// sound notes a range that holds what was written.
func (f *outcome) sound(offsetBytes, lengthBytes int64) {
	if f.SoundBytes == 0 {
		f.SoundFrom = offsetBytes
	}
	f.SoundBytes += lengthBytes
	f.SoundEnd = offsetBytes + lengthBytes
}

// bad notes a range that does not.
func (f *outcome) bad(r Range) {
	if f.Bytes == nil {
		f.Bytes = map[Kind]int64{}
	}
	if len(f.Bytes) == 0 {
		f.BadFrom = r.OffsetBytes
	}
	f.Bytes[r.Kind] += r.LengthBytes
	if r.Kind == displaced {
		f.displacement(r.OffsetBytes, r.FromBytes)
	}
	if r.Kind == f.Last.Kind && r.OffsetBytes == f.Last.OffsetBytes+f.Last.LengthBytes {
		f.Last.LengthBytes += r.LengthBytes
		if f.LeftOut == 0 {
			f.Ranges[len(f.Ranges)-1] = f.Last
		}
		return
	}
	f.Last = r
	if len(f.Ranges) == MostRanges {
		f.LeftOut++
		return
	}
	f.Ranges = append(f.Ranges, r)
}

func (f *outcome) displacement(atBytes, fromBytes int64) {
	if f.DistanceBytes == 0 {
		f.FromLeast = fromBytes
	}
	f.FromLeast = min(f.FromLeast, fromBytes)
	f.Backwards = f.Backwards || fromBytes < atBytes
	f.DistanceBytes = divisor(f.DistanceBytes, max(atBytes-fromBytes, fromBytes-atBytes))
	crossing := atBytes ^ fromBytes
	if slices.Contains(f.Crossings, crossing) {
		return
	}
	if len(f.Crossings) == mostCrossings {
		f.MoreCrossings = true
		return
	}
	f.Crossings = append(f.Crossings, crossing)
}

// divisor is the greatest number that divides both (Euclid).
func divisor(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// A card that wraps its addresses at T and was written in ascending order holds the stamps of its last T bytes, and gives each for
// every address that is the same but for a multiple of T. So the last T bytes read as written, all below reads as displaced by a
// multiple of T, and the greatest number that divides all these distances is T, since that of the places just below is T itself.

// verdict tells what all that was found comes to on a card of that size, and its true size, -1 where none is known. A card that is
// short because it forgets or refuses from there on has still to show that it takes anything at all.
func (f *outcome) verdict(sizeBytes int64) (Verdict, int64) {
	switch wrapped := f.Bytes[displaced]; {
	case f.Wavered:
		return Unreliable, -1
	case len(f.Bytes) == 0:
		return True, sizeBytes
	case len(f.Bytes) == 1 && wrapped > 0:
		if kept := sizeBytes - f.DistanceBytes; !f.Backwards && f.SoundBytes > 0 && f.FromLeast >= kept && f.SoundFrom >= kept {
			return Short, f.DistanceBytes
		}
	case f.SoundBytes == f.BadFrom && f.SoundEnd == f.BadFrom && f.BadFrom > 0:
		if f.Bytes[Dropped]+f.Bytes[Unreadable]+f.Bytes[Unwritable] == sizeBytes-f.BadFrom {
			return Short, f.BadFrom
		}
	}
	return Unreliable, -1
}

// kindOfDisplaced tells what displaced stamps come from, as far as they show it, be the card damaged otherwise or not. Where writes
// failed, what they should have covered is still there.
func (f *outcome) kindOfDisplaced() Kind {
	var lines int64
	for _, crossing := range f.Crossings {
		lines |= crossing
	}
	switch wraps := !f.Backwards && f.SoundBytes <= f.DistanceBytes+f.Bytes[Unwritable]; {
	case wraps && f.DistanceBytes >= flash.LastBytes:
		return Wrapped
	case !f.MoreCrossings && bits.OnesCount64(uint64(lines)) <= mostLines:
		return Swapped
	}
	return Changed
}

// list gives the bad ranges as a result shows them. What was called displaced may be joined to its neighbours by its kind.
func (f *outcome) list() []Range {
	list := []Range{}
	for _, r := range f.Ranges {
		switch {
		case r.Kind != displaced:
			r.FromBytes = -1
		case f.kindOfDisplaced() == Changed:
			r.Kind, r.FromBytes = Changed, -1
		default:
			r.Kind = f.kindOfDisplaced()
		}
		if last := len(list) - 1; last >= 0 && list[last].Kind == r.Kind &&
			list[last].OffsetBytes+list[last].LengthBytes == r.OffsetBytes {
			list[last].LengthBytes += r.LengthBytes
			continue
		}
		list = append(list, r)
	}
	return list
}

// holds tells whether a place lies in a bad range that is listed.
func (f *outcome) holds(offsetBytes int64) bool {
	return slices.ContainsFunc(f.Ranges, func(r Range) bool { return r.covers(offsetBytes) })
}

func (r Range) covers(offsetBytes int64) bool {
	return r.OffsetBytes <= offsetBytes && offsetBytes-r.OffsetBytes < r.LengthBytes
}

// isSound tells whether an outcome that was read from a file can be of a card of that size.
func (f *outcome) isSound(sizeBytes int64) bool {
	var bad int64
	for kind, bytes := range f.Bytes {
		if !slices.Contains([]Kind{displaced, Dropped, Stale, Changed, Unreadable, Unwritable}, kind) || bytes <= 0 ||
			bytes > sizeBytes-bad {
			return false
		}
		bad += bytes
	}
	within := func(places ...int64) bool {
		return !slices.ContainsFunc(places, func(at int64) bool { return at < 0 || at > sizeBytes })
	}
	listed := f.Ranges
	if f.LeftOut > 0 {
		listed = slices.Concat(listed, []Range{f.Last})
	}
	return len(f.Ranges) <= MostRanges && (f.LeftOut == 0 || len(f.Ranges) == MostRanges && f.LeftOut > 0) &&
		len(f.Crossings) <= mostCrossings && inOrder(listed, sizeBytes) && (bad > 0) == (len(f.Ranges) > 0) &&
		(f.LeftOut > 0 || len(f.Ranges) == 0 || f.Last == f.Ranges[len(f.Ranges)-1]) &&
		within(f.SoundBytes, f.SoundFrom, f.SoundEnd, f.BadFrom, f.DistanceBytes, f.FromLeast) && f.SoundBytes <= sizeBytes-bad
}

// inOrder tells whether ranges lie on a card of that size, apart and ascending.
func inOrder(ranges []Range, sizeBytes int64) bool {
	end := int64(0)
	for _, r := range ranges {
		if r.OffsetBytes < end || r.LengthBytes <= 0 || r.OffsetBytes > sizeBytes || r.LengthBytes > sizeBytes-r.OffsetBytes {
			return false
		}
		end = r.OffsetBytes + r.LengthBytes
	}
	return true
}

// failedLate puts a range that worked before among the bad ones.
func (f *outcome) failedLate(r Range) {
	if len(f.Ranges) == MostRanges {
		f.LeftOut++
		f.Ranges = f.Ranges[:MostRanges-1]
	}
	at, _ := slices.BinarySearchFunc(f.Ranges, r, func(have, r Range) int { return cmp.Compare(have.OffsetBytes, r.OffsetBytes) })
	f.Ranges = slices.Insert(f.Ranges, at, r)
}
