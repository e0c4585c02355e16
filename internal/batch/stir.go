package batch

import "sync"

// A stir wakes everybody who waits for something to have changed. Whoever waits takes the channel first and looks then, so
// that no change is missed. The zero value is ready.
type stir struct {
	mu   sync.Mutex
	next chan struct{} // closed by the next change; nil where nobody waits
}

// changed gives a channel that the next change closes.
func (s *stir) changed() <-chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.next == nil {
		s.next = make(chan struct{})
	}
	return s.next
}

// all wakes everybody.
func (s *stir) all() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.next != nil {
		close(s.next)
		s.next = nil
	}
}
