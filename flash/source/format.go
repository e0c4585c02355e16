package source

import (
	"bytes"
	"fmt"

	"cardwright/flash/source/xz"
)

// sniffBytes is how many first bytes tell every container.
const sniffBytes = 10

// formatOf tells a container by its first bytes; what is none of the known is raw.
func formatOf(start []byte) Format {
	switch {
	case bytes.HasPrefix(start, []byte("\xfd7zXZ\x00")):
		return FormatXZ
	case bytes.HasPrefix(start, []byte{0x1f, 0x8b}):
		return FormatGzip
	case isZstd(start):
		return FormatZstd
	case isBzip2(start):
		return FormatBzip2
	case bytes.HasPrefix(start, []byte(zipLocalMagic)), bytes.HasPrefix(start, []byte(zipEndMagic)):
		return FormatZip
	default:
		return FormatRaw
	}
}

// start tells the format, plans where the source can be read at any place, and starts the decoder. It gives the name of the
// archive's member, if there is one.
func (m *Image) start(o *origin, options Options) (member string, err error) {
	first, _ := m.input.Peek(sniffBytes) // a short source shows less; a failed read comes up below
	if failure := m.input.packed.failure(); failure != nil {
		return "", failure
	}
	m.facts.Format = FormatRaw
	if len(first) == 0 {
		return "", ErrEmpty
	}
	if !options.Raw {
		m.facts.Format = formatOf(first)
	}
	if options.Member != "" && m.facts.Format != FormatZip {
		return "", fmt.Errorf("%w: it is no archive", ErrNoMember)
	}
	switch m.facts.Format {
	case FormatXZ:
		var plan xz.Plan
		plan, m.declared = planXZ(o.random, o.sizeBytes)
		m.decoder = newXZ(m.input, plan, options.MemoryBytes)
	case FormatGzip:
		m.decoder = newGzip(m.input)
	case FormatZstd:
		m.declared = planZstd(o.random, o.sizeBytes)
		m.decoder, err = newZstd(m.input, options.MaxWindowBytes)
	case FormatBzip2:
		m.decoder = newBzip2(m.input)
	case FormatZip:
		return m.startZip(o, options.Member)
	case FormatRaw:
		m.declared = o.sizeBytes
		m.decoder, err = newRaw(m.input, options)
	}
	return "", err
}
