package identity

import (
	"fmt"
	"math/bits"
	"strconv"
	"strings"
)

// codes tells what the codes from 0 on mean. A code with an empty text, or with none, is reserved.
func codes(texts ...string) func(uint64) string {
	return func(code uint64) string {
		if code < uint64(len(texts)) && texts[code] != "" {
			return texts[code]
		}
		return reservedCode(code)
	}
}

func reservedCode(code uint64) string { return fmt.Sprintf("reserved code 0x%02x", code) }

// says gives one text for any value.
func says(text string) func(uint64) string { return func(uint64) string { return text } }

// counted tells a number of something, of which a field holds that many less one where less is 1.
func counted(less uint64, of string) func(uint64) string {
	return func(value uint64) string { return fmt.Sprintf("%d %s", value+less, of) }
}

// fixedTo adds to a meaning whether the value is the one that the specification fixes.
func fixedTo(fixed uint64, means func(uint64) string) func(uint64) string {
	return func(value uint64) string {
		if value == fixed {
			return means(value) + ", as fixed"
		}
		return fmt.Sprintf("%s, where the specification fixes 0x%02x", means(value), fixed)
	}
}

// setBits names the bits that are set: of each its name, and of one without a name that it is reserved.
func setBits(value uint64, names ...string) string {
	if value == 0 {
		return "none"
	}
	var set []string
	for ; value != 0; value &= value - 1 {
		bit := bits.TrailingZeros64(value)
		if bit < len(names) && names[bit] != "" {
			set = append(set, names[bit])
		} else {
			set = append(set, fmt.Sprintf("reserved bit %d", bit))
		}
	}
	return strings.Join(set, ", ")
}

// commandClasses lists the classes of commands that a card understands, by the bits of CCC.
func commandClasses(value uint64) string {
	names := make([]string, 12)
	for class := range names {
		names[class] = strconv.Itoa(class)
	}
	return "command classes: " + setBits(value, names...)
}

// quoted makes card text fit for any terminal: what is no printable ASCII stands as \xNN, and so does the backslash, so that two
// texts never look alike.
func quoted(text []byte) string {
	var out strings.Builder
	for _, b := range text {
		if b < 0x20 || b > 0x7e || b == '\\' {
			fmt.Fprintf(&out, `\x%02x`, b)
		} else {
			out.WriteByte(b)
		}
	}
	return out.String()
}
