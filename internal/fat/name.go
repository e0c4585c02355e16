package fat

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"
)

// A directory holds a name twice: short, as 8 and 3 letters of a small alphabet, and long, in entries before the short one, as up
// to 255 numbers of 16 bits, where the short one does not say all of it. Long names and what may stand in either are those of
// Microsoft's "FAT: General Overview of On-Disk Format", version 1.03.

const (
	maxNameUnits  = 255
	unitsPerSlot  = 13
	shortBytes    = 11
	maxShortTails = 1 << 16
)

// CheckName tells why a name cannot stand in a directory; the error wraps ErrName. Letters beyond the first 65,536 of Unicode are
// refused too: some readers know of no others.
func CheckName(name string) error {
	units := 0
	for _, r := range name {
		units++
		if r < ' ' || r == 0x7F || strings.ContainsRune(`"*/:<>?\|`, r) || r == utf8.RuneError || r > 0xFFFF {
			return fmt.Errorf("%w: %q has %q in it", ErrName, name, r)
		}
	}
	switch {
	case units == 0:
		return fmt.Errorf("%w: it is empty", ErrName)
	case units > maxNameUnits:
		return fmt.Errorf("%w: %q is longer than %d letters", ErrName, name, maxNameUnits)
	case strings.HasSuffix(name, ".") || strings.HasSuffix(name, " ") || strings.HasPrefix(name, " "):
		return fmt.Errorf("%w: %q begins or ends with a space, or ends with a dot", ErrName, name)
	}
	return nil
}

// Key is the same for names, or paths of them, that FAT takes for one.
func Key(name string) string {
	return strings.Map(func(r rune) rune {
		least := r
		for other := unicode.SimpleFold(r); other != r; other = unicode.SimpleFold(other) {
			least = min(least, other)
		}
		return least
	}, name)
}

// A shortName is as a directory holds it, filled up with spaces.
type shortName [shortBytes]byte

// String gives the name as it is written, without regard to marks for small letters.
func (s shortName) String() string {
	base, extension := strings.TrimRight(string(s[:8]), " "), strings.TrimRight(string(s[8:]), " ")
	if extension == "" {
		return base
	}
	return base + "." + extension
}

// sum is what the entries of a long name hold to show that they belong to this short one.
func (s shortName) sum() (sum byte) {
	for _, b := range s {
		sum = sum>>1 | sum<<7
		sum += b
	}
	return sum
}

// shorten gives a short name for a long one, other than those that are taken.
func shorten(name string, taken func(shortName) bool) (shortName, error) {
	base, extension := strings.TrimLeft(name, "."), ""
	lossy := base != name
	if dot := strings.LastIndexByte(base, '.'); dot >= 0 {
		base, extension = base[:dot], base[dot+1:]
	}
	base, baseLossy := shortLetters(base, 8)
	extension, extensionLossy := shortLetters(extension, 3)
	short := filledUp(base, extension)
	if !lossy && !baseLossy && !extensionLossy && !taken(short) {
		return short, nil
	}
	for i := 1; i < maxShortTails; i++ {
		tail := fmt.Sprintf("~%d", i)
		short = filledUp(base[:min(len(base), 8-len(tail))]+tail, extension)
		if !taken(short) {
			return short, nil
		}
	}
	return short, fmt.Errorf("%w: too many names like %q", ErrFull, name)
}

func filledUp(base, extension string) (short shortName) {
	copy(short[:], fmt.Sprintf("%-8s%-3s", base, extension))
	return short
}

// shortLetters gives at most so many letters that may stand in a short name, and tells whether others were lost.
func shortLetters(part string, most int) (letters string, lossy bool) {
	for _, r := range part {
		if r >= 'a' && r <= 'z' {
			r += 'A' - 'a'
		}
		switch {
		case r == ' ' || r == '.':
			lossy = true
			continue
		case !(r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("!#$%&'()-@^_`{}~", r)):
			r, lossy = '_', true
		}
		if len(letters) == most {
			return letters, true
		}
		letters += string(r)
	}
	return letters, lossy
}

// unitPlaces are where the 13 numbers of a long name stand in an entry.
var unitPlaces = [unitsPerSlot]int{1, 3, 5, 7, 9, 14, 16, 18, 20, 22, 24, 28, 30}

// longSlots gives the entries that hold a long name, the last part first.
func longSlots(name string, sum byte) (slots []byte) {
	units := utf16.Encode([]rune(name))
	count := (len(units) + unitsPerSlot - 1) / unitsPerSlot
	for number := count; number > 0; number-- {
		slot := make([]byte, slotBytes)
		slot[0], slot[11], slot[13] = byte(number), attributeLong, sum
		if number == count {
			slot[0] |= lastLong
		}
		for i, at := range unitPlaces {
			unit := uint16(0xFFFF) // behind the end
			switch n := (number-1)*unitsPerSlot + i; {
			case n < len(units):
				unit = units[n]
			case n == len(units):
				unit = 0
			}
			slot[at], slot[at+1] = byte(unit), byte(unit>>8)
		}
		slots = append(slots, slot...)
	}
	return slots
}

// longPart gives the part of a long name that an entry holds.
func longPart(slot []byte) (units []uint16) {
	for _, at := range unitPlaces {
		unit := uint16(slot[at]) | uint16(slot[at+1])<<8
		if unit == 0 {
			break
		}
		units = append(units, unit)
	}
	return units
}
