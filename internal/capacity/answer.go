package capacity

import (
	"cmp"
	"math/bits"
	"slices"
)

// An answer is what a quick check came to.
type answer struct {
	verdict   Verdict
	trueBytes int64 // 0 for unreliable
}

// tell puts an answer into a result.
func (a answer) tell(result *Result, r *record) {
	result.Verdict = a.verdict
	switch a.verdict {
	case True:
		result.TrueBytes = &a.trueBytes
	case Short:
		result.TrueBytes = &a.trueBytes
		bad := Range{a.trueBytes, result.ClaimedBytes - a.trueBytes, "", -1} // of one kind all over, seen where it was seen first
		at := result.ClaimedBytes
		for _, s := range r.sights {
			if s.kind != "" && s.offsetBytes >= a.trueBytes && s.offsetBytes < at {
				at, bad.Kind, bad.FromBytes = s.offsetBytes, s.kind, s.from
			}
		}
		result.BadRanges = []Range{bad}
	case Unreliable:
		all := badRanges(r.sights, r.unitBytes)
		result.BadRanges = all[:min(len(all), MostRanges)]
		result.RangesLeftOut = len(all) - len(result.BadRanges)
	}
}

// badRanges joins what was bad, side by side and of one kind.
func badRanges(sights []sight, unitBytes int64) []Range {
	bad := map[int64]Range{}
	for _, s := range sights {
		if s.kind == "" {
			continue
		}
		r := Range{s.offsetBytes, unitBytes, s.kind, -1}
		if s.kind == Wrapped {
			r.FromBytes = s.from
			if bits.OnesCount64(uint64(s.from^s.offsetBytes)) <= 2 {
				r.Kind = Swapped
			}
		}
		bad[s.offsetBytes] = r
	}
	var all []Range
	for _, r := range bad {
		all = append(all, r)
	}
	slices.SortFunc(all, func(a, b Range) int { return cmp.Compare(a.OffsetBytes, b.OffsetBytes) })
	joined := all[:0]
	for _, r := range all {
		if last := len(joined) - 1; last >= 0 && follows(joined[last], r) {
			joined[last].LengthBytes += r.LengthBytes
			continue
		}
		joined = append(joined, r)
	}
	return joined
}

// follows tells whether b goes on where a ends, with content of the same kind and from the same distance.
func follows(a, b Range) bool {
	return b.OffsetBytes == a.OffsetBytes+a.LengthBytes && a.Kind == b.Kind &&
		(a.FromBytes < 0 || b.FromBytes-a.FromBytes == a.LengthBytes)
}
