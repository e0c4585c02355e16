package partition

import (
	"bytes"
	"fmt"
)

// Where a range without a known file system is looked at: all of its start, since systems fill a card from there and keep their
// tables there, all of its last 1 MiB, and places between, denser towards the start for the same reason.
const (
	blankStartBytes   = 8 << 20
	blankEndBytes     = 1 << 20
	blankPlaceBytes   = 4096
	blankPlaces       = 64 // at even distances over the whole range
	blankPerDoubling  = 8  // and so many between each distance from the start and its double
	blankMostDoubling = 40
)

// blank tells whether a range holds zeros or ones alone, wherever it is looked at.
func blank(v *volume) (Holds, string, error) {
	length := min(v.lengthBytes, v.medium.sizeBytes-min(v.startBytes, v.medium.sizeBytes))
	if length == 0 {
		return unknown("it does not lie on the medium")
	}
	seen := uint64(0)
	for _, place := range blankRanges(length) {
		written := int64(-1)
		at := int64(place.start)
		whole, err := v.each(uint64(place.start), uint64(place.end-place.start), func(piece []byte) {
			if first := firstWritten(piece); first >= 0 && written < 0 {
				written = at + int64(first)
			}
			at += int64(len(piece))
		})
		switch {
		case err != nil:
			return "", "", err
		case written >= 0:
			return unknown("no known file system, but something is written at byte %d", int64(v.startBytes)+written)
		case !whole:
			return unknown("it could not be looked at from byte %d on", int64(v.startBytes)+at)
		}
		seen += uint64(place.end - place.start)
	}
	return HoldsNothing, fmt.Sprintf("blank in the %d of %d bytes looked at: the start, the end and places between", seen, length), nil
}

// blankRanges gives the ranges to look at, the likeliest to hold something first.
func blankRanges(length uint64) []span {
	if length <= blankStartBytes+blankEndBytes {
		return []span{{0, int64(length)}}
	}
	ranges := []span{{0, blankStartBytes}, {int64(length - blankEndBytes), int64(length)}}
	last := length - blankEndBytes
	add := func(at uint64) {
		if at -= at % blankPlaceBytes; at >= blankStartBytes && at < last {
			ranges = append(ranges, span{int64(at), int64(at + blankPlaceBytes)})
		}
	}
	from := uint64(blankStartBytes)
	for doubling := 0; doubling < blankMostDoubling && from < length; doubling++ {
		for i := uint64(0); i < blankPerDoubling; i++ {
			add(from + from/blankPerDoubling*i)
		}
		from *= 2
	}
	for i := uint64(0); i < blankPlaces; i++ {
		add(length / blankPlaces * i)
	}
	return ranges
}

// firstWritten gives the first byte of the first sector that is neither all zeros nor all ones: an erased card holds either, and one
// that was cleared at its ends holds both. It gives -1 where there is none.
func firstWritten(b []byte) int {
	for at := 0; at < len(b); at += 512 {
		sector := b[at:min(at+512, len(b))]
		if (sector[0] != 0 && sector[0] != 0xFF) || bytes.Count(sector, sector[:1]) < len(sector) {
			return at
		}
	}
	return -1
}
