package cardlab

import "slices"

// A memory is what the card's controller still has of the last writes, sector by sector.
type memory struct {
	limitBytes  int64
	sectorBytes int
	held        map[int64]memorised // by address
	order       []memorised         // oldest first; also what was written again since
	writes      int
}

// A memorised is one sector of a write.
type memorised struct {
	offsetBytes int64
	number      int // of the write of this sector, so that a later one is told from it
	content     []byte
}

// remember takes in a write and forgets what came too long before it.
func (m *memory) remember(p []byte, offsetBytes int64) {
	if m.limitBytes == 0 {
		return
	}
	if m.held == nil {
		m.held = make(map[int64]memorised)
	}
	for at := 0; at < len(p); at += m.sectorBytes {
		m.writes++
		sector := memorised{offsetBytes + int64(at), m.writes, slices.Clone(p[at : at+m.sectorBytes])}
		m.held[sector.offsetBytes] = sector
		m.order = append(m.order, sector)
	}
	for int64(len(m.order))*int64(m.sectorBytes) > m.limitBytes {
		oldest := m.order[0]
		m.order = m.order[1:]
		if m.held[oldest.offsetBytes].number == oldest.number {
			delete(m.held, oldest.offsetBytes)
		}
	}
}

// answer replaces what a read found on the medium by what is remembered.
func (m *memory) answer(p []byte, offsetBytes int64) {
	if len(m.held) == 0 {
		return
	}
	for at := 0; at < len(p); at += m.sectorBytes {
		if sector, held := m.held[offsetBytes+int64(at)]; held {
			copy(p[at:], sector.content)
		}
	}
}

// forget empties the memory, as a loss of power does.
func (m *memory) forget() { m.held, m.order = nil, nil }
