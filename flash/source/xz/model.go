package xz

const (
	literalStates    = 7 // in the states below it, a literal came last
	minMatchBytes    = 2
	maxLiteralCoders = 1 << 4
	literalProbs     = 0x300
)

// A model is what an LZMA decoder has learned: the probability of each decision, the last four distances, and what kind of
// symbols came last. Arrays are of a power of two wherever an index can be cut to it, since such an access needs no check.
type model struct {
	state      uint32
	reps       [4]uint32 // distances, less one
	lc         uint32    // how many high bits of the byte before choose a literal's probabilities
	lpMask     uint32    // which low bits of the position do
	pbMask     uint32    // which low bits of the position choose those of matches
	isMatch    [256]uint16
	isRep0Long [256]uint16
	isRep      [16]uint16
	isRep0     [16]uint16
	isRep1     [16]uint16
	isRep2     [16]uint16
	match      lengths
	rep        lengths
	slots      [4][64]uint16
	special    [128]uint16
	align      [16]uint16
	literals   [maxLiteralCoders*literalProbs + 256]uint16 // the last 256 are never used: they let each 1024 be an array
}

// lengths are the probabilities of a match's length.
type lengths struct {
	choice [2]uint16
	low    [16][8]uint16
	mid    [16][8]uint16
	high   [256]uint16
}

// setProperties takes the properties byte of a chunk; false if it is none that LZMA2 allows.
func (m *model) setProperties(b byte) bool {
	if b >= 9*5*5 {
		return false
	}
	lc, lp, pb := uint32(b%9), uint32(b/9%5), uint32(b/45)
	if lc+lp > 4 {
		return false
	}
	m.lc, m.lpMask, m.pbMask = lc, 1<<lp-1, 1<<pb-1
	return true
}

// reset forgets all but the properties.
func (m *model) reset() {
	m.state, m.reps = 0, [4]uint32{}
	for _, probs := range [][]uint16{
		m.isMatch[:], m.isRep0Long[:], m.isRep[:], m.isRep0[:], m.isRep1[:], m.isRep2[:], m.special[:], m.align[:], m.literals[:],
		m.slots[0][:], m.slots[1][:], m.slots[2][:], m.slots[3][:],
	} {
		fill(probs)
	}
	m.match.reset()
	m.rep.reset()
}

func (l *lengths) reset() {
	fill(l.choice[:])
	fill(l.high[:])
	for i := range l.low {
		fill(l.low[i][:])
		fill(l.mid[i][:])
	}
}

func fill(probs []uint16) {
	for i := range probs {
		probs[i] = probStart
	}
}
