package cardlab

import (
	"encoding/binary"
	"maps"
	"math/rand/v2"
	"slices"
)

// pageBytes is the unit of storing. With sectors of at least 512 bytes, one word tells which of a page's are dirty.
const pageBytes = 32 << 10

type page [pageBytes]byte

// A medium is the bytes that a card really has. Only what was written is stored, and pages of zeros share one page, so a
// large card costs no more than its content. It keeps, for every page written since the last flush, how that page was.
type medium struct {
	traits   Traits
	pages    map[int64]*page  // by page number; a page that is not here is as on a fresh card
	unsynced map[int64]shadow // by page number
	recent   []Span           // the last LyingFlushBytes that were written, oldest first
	zero     *page            // shared, never written to
}

// A shadow is what a page was when it was last synced. Bits stand for sectors.
type shadow struct {
	before  *page  // nil: as on a fresh card
	dirty   uint64 // written since
	claimed uint64 // written since, and a flush claimed to have synced it
}

func newMedium(t Traits) *medium {
	return &medium{traits: t, pages: make(map[int64]*page), unsynced: make(map[int64]shadow), zero: new(page)}
}

// read fills p from the place given.
func (m *medium) read(p []byte, offsetBytes int64) {
	eachPage(len(p), offsetBytes, func(number int64, in, from, to int) {
		switch held := m.pages[number]; {
		case held != nil:
			copy(p[from:to], held[in:])
		case m.traits.OldContent:
			m.oldContent(p[from:to], number*pageBytes+int64(in))
		default:
			clear(p[from:to])
		}
	})
}

// oldUnitBytes is made of old content at once: not a whole page for whoever reads a sector.
const oldUnitBytes = 512

// oldContent fills p with what a fresh card holds at the place given.
func (m *medium) oldContent(p []byte, offsetBytes int64) {
	var seed [32]byte
	binary.LittleEndian.PutUint64(seed[0:], m.traits.Seed)
	var noise rand.ChaCha8
	var unit [oldUnitBytes]byte
	for len(p) > 0 {
		number, in := offsetBytes/oldUnitBytes, offsetBytes%oldUnitBytes
		binary.LittleEndian.PutUint64(seed[8:], uint64(number))
		noise.Seed(seed)
		_, _ = noise.Read(unit[:]) // documented never to fail
		n := copy(p, unit[in:])
		p, offsetBytes = p[n:], offsetBytes+int64(n)
	}
}

// write puts p, whole sectors, at the place given.
func (m *medium) write(p []byte, offsetBytes int64) {
	eachPage(len(p), offsetBytes, func(number int64, in, from, to int) {
		held := m.pages[number]
		was, known := m.unsynced[number]
		if !known {
			was.before = held
		}
		bits := m.sectorBits(in, to-from)
		was.dirty |= bits
		was.claimed &^= bits
		m.unsynced[number] = was
		switch whole := to-from == pageBytes; {
		case known && held != m.zero: // ours already
		case whole:
			held = new(page)
		default:
			held = m.copyOf(held, number)
		}
		copy(held[in:], p[from:to])
		if *held == *m.zero {
			held = m.zero
		}
		m.pages[number] = held
	})
	m.remember(Span{offsetBytes, int64(len(p))})
}

// sync makes what was written last through a power cut, all but the bytes that a lying flush withholds.
func (m *medium) sync() {
	withheld := make(map[int64]uint64)
	for _, span := range m.recent {
		eachPage(int(span.LengthBytes), span.OffsetBytes, func(number int64, in, from, to int) {
			withheld[number] |= m.sectorBits(in, to-from)
		})
	}
	for number, was := range m.unsynced {
		left := was.dirty & withheld[number]
		if left == 0 {
			delete(m.unsynced, number)
			continue
		}
		was.before = m.copyOf(was.before, number)
		m.copySectors(was.before, m.pages[number], was.dirty&^left)
		was.dirty, was.claimed = left, left
		m.unsynced[number] = was
	}
}

// cut takes the power away. Sectors that a flush claimed to have synced, and did not, are lost. Of the others that were
// not synced, coin says which ones are kept.
func (m *medium) cut(coin func() bool) {
	for _, number := range slices.Sorted(maps.Keys(m.unsynced)) {
		was := m.unsynced[number]
		var lost uint64
		for bits := was.dirty; bits != 0; bits &= bits - 1 {
			if bit := bits & -bits; bit&was.claimed != 0 || !coin() {
				lost |= bit
			}
		}
		now := m.copyOf(m.pages[number], number)
		m.copySectors(now, m.copyOf(was.before, number), lost)
		m.pages[number] = now
	}
	clear(m.unsynced)
	m.recent = nil
}

// unsyncedBytes is how much a power cut may lose.
func (m *medium) unsyncedBytes() int64 {
	var bytes int64
	for _, was := range m.unsynced {
		for bits := was.dirty; bits != 0; bits &= bits - 1 {
			bytes += int64(m.traits.SectorBytes)
		}
	}
	return bytes
}

// remember keeps the last LyingFlushBytes of what was written.
func (m *medium) remember(span Span) {
	if m.traits.LyingFlushBytes == 0 {
		return
	}
	m.recent = append(m.recent, span)
	excess := -m.traits.LyingFlushBytes
	for _, s := range m.recent {
		excess += s.LengthBytes
	}
	sector := int64(m.traits.SectorBytes)
	for excess = excess / sector * sector; excess > 0; {
		oldest := &m.recent[0]
		step := min(excess, oldest.LengthBytes)
		oldest.OffsetBytes, oldest.LengthBytes = oldest.OffsetBytes+step, oldest.LengthBytes-step
		if excess -= step; oldest.LengthBytes == 0 {
			m.recent = m.recent[1:]
		}
	}
}

// copyOf gives a page of its own with the content of held, or of a fresh card's page where held is nil.
func (m *medium) copyOf(held *page, number int64) *page {
	fresh := new(page)
	switch {
	case held != nil:
		*fresh = *held
	case m.traits.OldContent:
		m.oldContent(fresh[:], number*pageBytes)
	}
	return fresh
}

// copySectors copies the sectors that bits name.
func (m *medium) copySectors(to, from *page, bits uint64) {
	size := m.traits.SectorBytes
	for i := 0; bits != 0; i, bits = i+1, bits>>1 {
		if bits&1 != 0 {
			copy(to[i*size:(i+1)*size], from[i*size:])
		}
	}
}

// sectorBits gives a bit for each sector of a page that a range of it touches.
func (m *medium) sectorBits(in, lengthBytes int) uint64 {
	first := in / m.traits.SectorBytes
	count := (in+lengthBytes-1)/m.traits.SectorBytes - first + 1
	return (1<<count - 1) << first // a shift by 64 gives 0, and 0 - 1 has all bits set
}

// eachPage calls visit for each page that a range of the medium touches, with the place in that page and the part of the
// range that lies there.
func eachPage(lengthBytes int, offsetBytes int64, visit func(number int64, in, from, to int)) {
	for from := 0; from < lengthBytes; {
		in := int((offsetBytes + int64(from)) % pageBytes)
		to := min(lengthBytes, from+pageBytes-in)
		visit((offsetBytes+int64(from))/pageBytes, in, from, to)
		from = to
	}
}
