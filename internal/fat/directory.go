package fat

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf16"
)

// A directory's entry has 32 bytes:
//
//	offset size            offset size
//	00h   11  short name   14h  2  first cluster, its upper half
//	0Bh    1  attributes   16h  2  written: time
//	0Dh    1  made: 10 ms  18h  2  written: date
//	0Eh    2  made: time   1Ah  2  first cluster, its lower half
//	10h    2  made: date   1Ch  4  size
//	12h    2  read: date
//
// A first byte of 00h ends the directory, E5h marks an entry that was deleted. An entry of a long name has 0Fh for attributes, its
// place in the name first, with 40h in the last part, and the short name's sum at 0Dh.
type entry []byte

const (
	attributeLabel   = 0x08
	attributeFolder  = 0x10
	attributeChanged = 0x20
	attributeLong    = 0x0F
	lastLong         = 0x40
	deleted          = 0xE5

	maxDirectoryBytes = 1 << 16 * slotBytes
)

func (e entry) short() shortName { return shortName(e[:shortBytes]) }
func (e entry) isLong() bool     { return e[0x0B]&0x3F == attributeLong }
func (e entry) isLabel() bool    { return !e.isLong() && e[0x0B]&attributeLabel != 0 }
func (e entry) isFolder() bool   { return e[0x0B]&(attributeFolder|attributeLabel) == attributeFolder }

// cluster is where the entry's content starts; 0 for none and for the root directory.
func (e entry) cluster() uint32 {
	return uint32(binary.LittleEndian.Uint16(e[0x14:]))<<16 | uint32(binary.LittleEndian.Uint16(e[0x1A:]))
}

func (e entry) setCluster(cluster uint32) {
	binary.LittleEndian.PutUint16(e[0x14:], uint16(cluster>>16))
	binary.LittleEndian.PutUint16(e[0x1A:], uint16(cluster))
}

func (e entry) sizeBytes() int64 { return int64(binary.LittleEndian.Uint32(e[0x1C:])) }

func (e entry) setSize(sizeBytes int) { binary.LittleEndian.PutUint32(e[0x1C:], uint32(sizeBytes)) }

// setMade says when the file was made, in UTC, since FAT knows no zones.
func (e entry) setMade(at time.Time) {
	date, clock, hundredths := fatTime(at)
	e[0x0D] = hundredths
	binary.LittleEndian.PutUint16(e[0x0E:], clock)
	binary.LittleEndian.PutUint16(e[0x10:], date)
}

// setWritten says when the content was written.
func (e entry) setWritten(at time.Time) {
	date, clock, _ := fatTime(at)
	binary.LittleEndian.PutUint16(e[0x12:], date)
	binary.LittleEndian.PutUint16(e[0x16:], clock)
	binary.LittleEndian.PutUint16(e[0x18:], date)
}

// fatTime counts years from 1980 and seconds in pairs; the rest of a pair is in hundredths. What lies outside becomes the nearest.
func fatTime(at time.Time) (date, clock uint16, hundredths byte) {
	at = at.UTC()
	switch {
	case at.Year() < 1980:
		at = time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)
	case at.Year() > 2107:
		at = time.Date(2107, 12, 31, 23, 59, 58, 0, time.UTC)
	}
	date = uint16((at.Year()-1980)<<9 | int(at.Month())<<5 | at.Day())
	clock = uint16(at.Hour()<<11 | at.Minute()<<5 | at.Second()/2)
	return date, clock, byte(at.Second() % 2 * 100)
}

// newEntry makes an entry without content.
func newEntry(short shortName, attributes byte, at time.Time) entry {
	e := make(entry, slotBytes)
	copy(e, short[:])
	e[0x0B] = attributes
	e.setMade(at)
	e.setWritten(at)
	return e
}

// A directory is a folder, the root among them, as changed so far.
type directory struct {
	volume   *Volume
	clusters []uint32 // none for the root of FAT12 and FAT16, which has a place of its own
	data     []byte
}

// entryBytes is where an entry lies in the volume.
func (d *directory) entryBytes(at int) int64 {
	if d.clusters == nil {
		return d.volume.rootStart + int64(at)
	}
	return d.volume.clusterStart(d.clusters[int64(at)/d.volume.clusterBytes]) + int64(at)%d.volume.clusterBytes
}

// first is the cluster that a folder in this one names as the one above it: 0 for the root.
func (d *directory) first() uint32 {
	if d == d.volume.root {
		return 0
	}
	return d.clusters[0]
}

// begins tells whether one of the two entries that a folder begins with, "." for itself and ".." for the one above it, leads to a
// cluster.
func (d *directory) begins(name string, cluster uint32) bool {
	e := entry(d.data[(len(name)-1)*slotBytes:][:slotBytes])
	return e.short() == filledUp(name, "") && e.isFolder() && e.cluster() == cluster
}

// end is where the directory ends: behind it nothing counts.
func (d *directory) end() int {
	for at := 0; at < len(d.data); at += slotBytes {
		if d.data[at] == 0 {
			return at
		}
	}
	return len(d.data)
}

// put changes entries, one after the other.
func (d *directory) put(slots []byte, at int) error {
	copy(d.data[at:], slots)
	for ; len(slots) > 0; at, slots = at+slotBytes, slots[slotBytes:] {
		if err := d.volume.overlay.write(slots[:slotBytes], d.entryBytes(at)); err != nil {
			return err
		}
	}
	return nil
}

// A found is an entry with a place in its directory.
type found struct {
	entry
	at   int
	long string // empty where there is none
}

// name is the long one, or without it the short one.
func (f found) name() string { return cmp.Or(f.long, f.short().String()) }

// entries lists files and folders. The error wraps ErrUnsound: a long name must stand right before its short one.
func (d *directory) entries() (all []found, err error) {
	var long longName
	for at, end := 0, d.end(); at < end; at += slotBytes {
		e := entry(d.data[at : at+slotBytes])
		switch {
		case e[0] != deleted && e.isLong():
			if err := long.add(e); err != nil {
				return nil, err
			}
			continue
		case long.begun && (e[0] == deleted || e.isLabel() || !long.belongsTo(e)):
			return nil, errStrayLong
		case e[0] == deleted || e.isLabel():
			continue
		}
		all = append(all, found{e, at, long.String()})
		long = longName{}
	}
	if long.begun {
		return nil, errStrayLong
	}
	return all, nil
}

var errStrayLong = unsound("a directory has a long name that belongs to no file")

// A longName is put together from its entries.
type longName struct {
	begun bool
	left  byte // how many parts are still to come
	sum   byte
	units []uint16
}

func (l *longName) add(e entry) error {
	if !l.begun && e[0]&lastLong != 0 {
		*l = longName{begun: true, left: e[0] &^ lastLong, sum: e[0x0D]}
	} else if !l.begun || e[0] != l.left {
		return errStrayLong
	}
	if l.left == 0 || e[0x0D] != l.sum {
		return errStrayLong
	}
	l.left--
	l.units = slices.Concat(longPart(e), l.units)
	return nil
}

func (l *longName) belongsTo(e entry) bool { return l.left == 0 && l.sum == e.short().sum() }

func (l *longName) String() string { return string(utf16.Decode(l.units)) }

// find gives the one entry that has a name, in capitals or not; ok is false where there is none. The error wraps ErrUnsound: a name
// that leads to two entries leads to neither.
func (d *directory) find(name string) (f found, ok bool, err error) {
	all, err := d.entries()
	if err != nil {
		return f, false, err
	}
	for _, other := range all {
		if !strings.EqualFold(other.long, name) && !strings.EqualFold(other.short().String(), name) {
			continue
		}
		if ok {
			return f, false, unsound("%q stands for two files", name)
		}
		f, ok = other, true
	}
	return f, ok, nil
}

// add puts a new entry into the directory, with its long name where it needs one. The error wraps ErrFull or ErrUnsound.
func (d *directory) add(name string, attributes byte, at time.Time) (found, error) {
	all, err := d.entries()
	if err != nil {
		return found{}, err
	}
	short, err := shorten(name, func(s shortName) bool {
		return slices.ContainsFunc(all, func(f found) bool { return f.short() == s })
	})
	if err != nil {
		return found{}, err
	}
	var slots []byte
	if short.String() != name {
		slots = longSlots(name, short.sum())
	}
	slots = append(slots, newEntry(short, attributes, at)...)
	place, err := d.room(len(slots))
	if err != nil {
		return found{}, err
	}
	if err := d.put(slots, place); err != nil {
		return found{}, err
	}
	place += len(slots) - slotBytes
	return found{entry: d.data[place : place+slotBytes], at: place}, nil
}

// room finds a run of entries that are free, and makes the directory longer where there is none. What the new entries push the
// directory's end onto is made its end.
func (d *directory) room(lengthBytes int) (at int, err error) {
	end := d.end()
	for at, run := 0, 0; at < end; at += slotBytes {
		if d.data[at] != deleted {
			run = 0
			continue
		}
		if run += slotBytes; run == lengthBytes {
			return at + slotBytes - run, nil
		}
	}
	for end+lengthBytes > len(d.data) {
		if err := d.grow(); err != nil {
			return 0, err
		}
	}
	if next := end + lengthBytes; next < len(d.data) && d.data[next] != 0 {
		if err := d.put(make([]byte, slotBytes), next); err != nil {
			return 0, err
		}
	}
	return end, nil
}

// grow adds a cluster of zeros.
func (d *directory) grow() error {
	if d.clusters == nil || len(d.data)+int(d.volume.clusterBytes) > maxDirectoryBytes {
		return fmt.Errorf("%w: a directory has no room for more files", ErrFull)
	}
	more, err := d.volume.takeZeroed()
	if err != nil {
		return err
	}
	d.volume.table.set(d.clusters[len(d.clusters)-1], more)
	d.clusters = append(d.clusters, more)
	d.data = append(d.data, make([]byte, d.volume.clusterBytes)...)
	return nil
}
