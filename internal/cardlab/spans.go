package cardlab

import "slices"

// spanSet is a set of bytes, kept as spans that are in order and apart.
type spanSet []Span

// add puts a span into the set.
func (s *spanSet) add(span Span) {
	if span.LengthBytes == 0 {
		return
	}
	first, _ := slices.BinarySearchFunc(*s, span, func(have, span Span) int {
		if have.End() < span.OffsetBytes {
			return -1
		}
		return 1
	})
	last := first
	for last < len(*s) && (*s)[last].OffsetBytes <= span.End() {
		end := max(span.End(), (*s)[last].End())
		span.OffsetBytes = min(span.OffsetBytes, (*s)[last].OffsetBytes)
		span.LengthBytes = end - span.OffsetBytes
		last++
	}
	*s = slices.Replace(*s, first, last, span)
}

// overlap gives the part that two spans share; its length is 0 where they share none.
func overlap(a, b Span) Span {
	start := max(a.OffsetBytes, b.OffsetBytes)
	return Span{start, max(0, min(a.End(), b.End())-start)}
}

// covers tells whether a byte lies in the span.
func (s Span) covers(offsetBytes int64) bool {
	return s.OffsetBytes <= offsetBytes && offsetBytes < s.End()
}
