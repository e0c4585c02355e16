package tally

import (
	"io"
	"sync/atomic"
)

// A stream hands lines on to something that may be slow, stuck or gone, such as a pipe, and never makes the teller wait.
type stream struct {
	lines   chan []byte
	lost    atomic.Int64 // how many lines found no room
	broken  func(error)  // is told the first error, once, from the stream's own goroutine
	stopped chan struct{}
	err     error // the first; settled once stopped is closed
}

// streamRoom is how many lines wait for a reader: those of several hundred cards.
const streamRoom = 4096

// newStream begins to hand on. close ends it.
func newStream(to io.Writer, broken func(error)) *stream {
	s := &stream{lines: make(chan []byte, streamRoom+1), broken: broken, stopped: make(chan struct{})}
	go s.hand(to) // ends with close, which waits for it
	return s
}

// tell takes a line, or loses it where there is no room. One goroutine at a time calls it, so that room seen stays.
func (s *stream) tell(line []byte) {
	if len(s.lines) >= streamRoom {
		s.lost.Add(1)
		return
	}
	s.lines <- line
}

// hand writes lines until there are no more. After the first error nothing is written any more.
func (s *stream) hand(to io.Writer) {
	defer close(s.stopped)
	for line := range s.lines {
		if s.err != nil {
			continue
		}
		if _, s.err = to.Write(line); s.err != nil {
			s.broken(s.err)
		}
	}
}

// close takes the last line, for which a place is kept, and waits until all is written, as a program waits for its output's reader.
// It gives the first error. No last line is nil.
func (s *stream) close(last []byte) error {
	if last != nil {
		s.lines <- last
	}
	close(s.lines)
	<-s.stopped
	return s.err
}
