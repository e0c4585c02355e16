package job

import (
	"io"

	"cardwright/flash"
)

// readerRoom is how much a tableReader reads from its card at once.
const readerRoom = 64 << 10

// A tableReader reads any range of a card, whatever its sectors and alignment ask for, by way of an aligned buffer of its own.
// It is for small reads such as tables; it serves one goroutine.
type tableReader struct {
	card   flash.Card
	buffer []byte
}

func newTableReader(card flash.Card) *tableReader {
	return &tableReader{card: card, buffer: flash.AlignedBuffer(readerRoom)}
}

// ReadAt reads len(p) bytes from offsetBytes on; io.EOF where the card ends before that.
func (r *tableReader) ReadAt(p []byte, offsetBytes int64) (int, error) {
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
func (r *tableReader) around(offsetBytes int64) ([]byte, error) {
	sector := int64(r.card.SectorBytes())
	start := offsetBytes / sector * sector
	whole := r.buffer[:min(readerRoom, r.card.SizeBytes()-start)]
	if _, err := r.card.ReadAt(whole, start); err != nil {
		return nil, &flash.Error{Step: flash.StepInspect, OffsetBytes: start, LengthBytes: int64(len(whole)), Err: err}
	}
	return whole[offsetBytes-start:], nil
}
