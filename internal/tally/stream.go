package tally

import "io"

// A stream hands documents on, a line each, to whoever reads the program's output, such as a pipe.
type stream struct {
	*queue
	broken  func(error) // is told the first error, once, from the stream's own goroutine
	stopped chan struct{}
	err     error // the first; settled once stopped is closed
}

// streamRoom is how many lines wait for a reader: those of several hundred cards.
const streamRoom = 4096

// newStream begins to hand on. close ends it.
func newStream(to io.Writer, broken func(error)) *stream {
	s := &stream{queue: newQueue(streamRoom), broken: broken, stopped: make(chan struct{})}
	go s.hand(to) // ends with close, which waits for it
	return s
}

// hand writes lines until there are no more. After the first error nothing is written any more.
func (s *stream) hand(to io.Writer) {
	defer close(s.stopped)
	for line := range s.waiting {
		if s.err != nil {
			continue
		}
		if _, s.err = to.Write(line); s.err != nil {
			s.broken(s.err)
		}
	}
}

// close takes the last line and waits until all is written, as a program waits for its output's reader.
// It gives the first error. No last line is nil.
func (s *stream) close(last []byte) error {
	s.end(last)
	<-s.stopped
	return s.err
}
