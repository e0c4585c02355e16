package tally

import "sync/atomic"

// A queue holds documents for something that may be slow, stuck or gone, and never makes the teller wait: what finds no room is lost.
type queue struct {
	waiting chan []byte
	lost    atomic.Int64 // how many documents found no room, or no time at the end
}

// newQueue has room for so many documents, and a place that is kept for the last one.
func newQueue(room int) *queue { return &queue{waiting: make(chan []byte, room+1)} }

// tell takes a document, or loses it. One goroutine at a time calls it, so that room seen stays.
func (q *queue) tell(document []byte) {
	if len(q.waiting) >= cap(q.waiting)-1 {
		q.lost.Add(1)
		return
	}
	q.waiting <- document
}

// end takes the last document, nil for none. Nothing is told after it.
func (q *queue) end(last []byte) {
	if last != nil {
		q.waiting <- last
	}
	close(q.waiting)
}
