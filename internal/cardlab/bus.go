package cardlab

// A Bus is a card as the kernel's driver reaches it: buffers may lie anywhere in memory, and a card may be looked at
// before it counts as in use. All else is as with the card itself.
type Bus struct{ card *Card }

// Bus gives the way by which a driver reaches the card.
func (c *Card) Bus() Bus { return Bus{c} }

// ReadAt reads whole sectors. Its errors are *Error.
func (b Bus) ReadAt(p []byte, offsetBytes int64) (int, error) { return b.card.read(p, offsetBytes) }

// WriteAt writes whole sectors. Its errors are *Error.
func (b Bus) WriteAt(p []byte, offsetBytes int64) (int, error) { return b.card.write(p, offsetBytes) }

// Peek reads like a card without faults that takes no time, and counts nowhere.
func (b Bus) Peek(p []byte, offsetBytes int64) {
	b.card.mu.Lock()
	defer b.card.mu.Unlock()
	b.card.load(p, offsetBytes)
}

// Answers tells whether the card is neither silent nor gone.
func (b Bus) Answers() bool {
	b.card.mu.Lock()
	defer b.card.mu.Unlock()
	return b.card.state == answering
}
