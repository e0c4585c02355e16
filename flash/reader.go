package flash

import "io"

// readerRoom is how much a Reader reads from its card at once.
const readerRoom = 64 << 10

// A Reader reads any range of a card, whatever its sectors and alignment ask for, by way of an aligned buffer of its own.
// It is for small reads such as tables; it serves one goroutine.
type Reader struct {
	card   Card
	buffer []byte
}

// NewReader makes a reader of a card.
func NewReader(card Card) *Reader { return &Reader{card: card, buffer: AlignedBuffer(readerRoom)} }

// ReadAt reads len(p) bytes from offsetBytes on; io.EOF where the card ends before that.
func (r *Reader) ReadAt(p []byte, offsetBytes int64) (int, error) {
	n := 0
	for n < len(p) {
		at := offsetBytes + int64(n)
		if at >= r.card.SizeBytes() {
			return n, io.EOF
		}
		held, err := r.around(at)
		if err != nil {
			return n, err
		}
		n += copy(p[n:], held)
	}
	return n, nil
}

// around reads the buffer's worth of whole sectors in which a place lies, and gives what follows from the place on.
func (r *Reader) around(offsetBytes int64) ([]byte, error) {
	sector := int64(r.card.SectorBytes())
	start := offsetBytes / sector * sector
	whole := r.buffer[:min(readerRoom, r.card.SizeBytes()-start)]
	if _, err := r.card.ReadAt(whole, start); err != nil {
		return nil, &Error{Step: StepInspect, OffsetBytes: start, LengthBytes: int64(len(whole)), Err: err}
	}
	return whole[offsetBytes-start:], nil
}
