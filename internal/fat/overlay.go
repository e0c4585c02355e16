package fat

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"slices"
)

const (
	// unitBytes is the unit in which changes are kept: the smallest sector of any file system.
	unitBytes = 512
	// maxReadBytes bounds what is read of a medium, whatever its bytes ask for.
	maxReadBytes = 256 << 20
	// maxChangedBytes bounds what is kept of changes.
	maxChangedBytes = 64 << 20
)

// A Range is a run of changed sectors.
type Range struct {
	OffsetBytes int64 // on the medium
	Data        []byte
}

// An overlay is a part of a medium with changes over it. Its offsets count from the part's start.
type overlay struct {
	medium                  io.ReaderAt
	startBytes, lengthBytes int64
	units                   map[int64][]byte // by number
	writable                []span
	leftBytes               int64 // that may still be read
}

// A span is a part of an overlay.
type span struct{ start, end int64 }

func newOverlay(medium io.ReaderAt, startBytes, lengthBytes int64) *overlay {
	return &overlay{
		medium: medium, startBytes: startBytes, lengthBytes: lengthBytes, units: map[int64][]byte{}, leftBytes: maxReadBytes,
	}
}

// ReadAt reads the part as changed. A read that leaves the part fails, as does one too many.
func (o *overlay) ReadAt(b []byte, offsetBytes int64) (int, error) {
	length := int64(len(b))
	if offsetBytes < 0 || length > o.lengthBytes || offsetBytes > o.lengthBytes-length {
		return 0, unsound("it leads to byte %d, outside of its partition", offsetBytes)
	}
	if o.leftBytes -= length; o.leftBytes < 0 {
		return 0, unsound("reading it takes more than %d bytes", int64(maxReadBytes))
	}
	if !o.covers(offsetBytes, offsetBytes+length) {
		if n, err := o.medium.ReadAt(b, o.startBytes+offsetBytes); n < len(b) {
			return n, cmp.Or(err, io.ErrUnexpectedEOF)
		}
	}
	for at := offsetBytes / unitBytes * unitBytes; at < offsetBytes+length; at += unitBytes {
		if unit, changed := o.units[at/unitBytes]; changed {
			from := max(at, offsetBytes)
			copy(b[from-offsetBytes:], unit[from-at:])
		}
	}
	return len(b), nil
}

// covers tells whether all of a span was changed, so that the medium need not be read for it.
func (o *overlay) covers(start, end int64) bool {
	for at := start / unitBytes * unitBytes; at < end; at += unitBytes {
		if _, changed := o.units[at/unitBytes]; !changed {
			return false
		}
	}
	return true
}

// write changes a part of the medium, which must be one that may be.
func (o *overlay) write(b []byte, offsetBytes int64) error {
	end := offsetBytes + int64(len(b))
	if !slices.ContainsFunc(o.writable, func(s span) bool { return s.start <= offsetBytes && end <= s.end }) {
		return unsound("a change at byte %d would lie where none may", offsetBytes)
	}
	for at := offsetBytes / unitBytes * unitBytes; at < end; at += unitBytes {
		from, to := max(at, offsetBytes), min(at+unitBytes, end)
		unit, err := o.unit(at, to-from == unitBytes)
		if err != nil {
			return err
		}
		copy(unit[from-at:to-at], b[from-offsetBytes:])
	}
	return nil
}

// unit gives a unit to be changed; one that is changed as a whole is not read before.
func (o *overlay) unit(offsetBytes int64, whole bool) ([]byte, error) {
	if unit, changed := o.units[offsetBytes/unitBytes]; changed {
		return unit, nil
	}
	if len(o.units) >= maxChangedBytes/unitBytes {
		return nil, fmt.Errorf("%w: more than %d bytes would change", ErrFull, maxChangedBytes)
	}
	unit := make([]byte, unitBytes)
	if !whole {
		if _, err := o.ReadAt(unit, offsetBytes); err != nil {
			return nil, err
		}
	}
	o.units[offsetBytes/unitBytes] = unit
	return unit, nil
}

// ranges gives all changes in order.
func (o *overlay) ranges() (ranges []Range) {
	for _, number := range slices.Sorted(maps.Keys(o.units)) {
		at := o.startBytes + number*unitBytes
		if last := len(ranges) - 1; last >= 0 && ranges[last].OffsetBytes+int64(len(ranges[last].Data)) == at {
			ranges[last].Data = append(ranges[last].Data, o.units[number]...)
			continue
		}
		ranges = append(ranges, Range{at, slices.Clone(o.units[number])})
	}
	return ranges
}
