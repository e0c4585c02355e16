package xz

const (
	firstWindowBytes  = 1 << 16
	maxDecodedBytes   = 1 << 21 // of a chunk
	biggestExtraBytes = 16 << 20
)

// A window is where decoded bytes go and where matches find what they repeat. It grows as it is filled up to a limit, and is
// then moved on: what no match can reach is given up.
type window struct {
	buf      []byte
	pos      int // where the next byte goes
	origin   int // where the history begins; below zero after the window was moved on
	reach    int // how far back a match may look
	maxBytes int
}

// reset begins a new block. Where it states what it decodes to, and that is less, no more is ever taken.
func (w *window) reset(dictionaryBytes, decodedBytes int64) {
	w.pos, w.origin, w.reach = 0, 0, int(dictionaryBytes)
	w.maxBytes = w.reach + min(max(w.reach, maxDecodedBytes), biggestExtraBytes)
	if decodedBytes >= 0 && decodedBytes < int64(w.maxBytes) {
		w.maxBytes = int(decodedBytes)
	}
}

// keepWhole lets a block stay in one piece.
func (w *window) keepWhole(decodedBytes int64) { w.maxBytes = int(decodedBytes) }

// reserve takes all the memory at once that a block will need which stays in one piece.
func (w *window) reserve() {
	if w.maxBytes > len(w.buf) {
		w.buf = make([]byte, w.maxBytes)
	}
}

// moves tells whether room for some more bytes means that those before them are moved.
func (w *window) moves(moreBytes int) bool { return w.pos+moreBytes > w.maxBytes }

// room makes room for some more bytes.
func (w *window) room(moreBytes int) {
	if w.moves(moreBytes) {
		gone := w.pos - w.reach
		copy(w.buf, w.buf[gone:w.pos])
		w.pos -= gone
		w.origin -= gone
	}
	if need := w.pos + moreBytes; need > len(w.buf) {
		grown := make([]byte, w.grownBytes(need))
		copy(grown, w.buf[:w.pos])
		w.buf = grown
	}
}

// grownBytes is how long the window should be next. Before it is as long as it gets, it is at most half as long, which is
// then all that is held beside it while its bytes are copied.
func (w *window) grownBytes(needBytes int) int {
	grown := max(needBytes, 4*len(w.buf), firstWindowBytes)
	if grown > w.maxBytes/2 {
		grown = max(needBytes, w.maxBytes)
	}
	return grown
}
