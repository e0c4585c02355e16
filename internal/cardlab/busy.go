package cardlab

import "time"

// forgivenGap is the longest pause between two operations that still counts as working without one. It covers what the
// caller and the kernel need to hand over the next request.
const forgivenGap = 5 * time.Millisecond

// A busyClock says when a card will be done. All operations share it, as a card does one thing at a time.
//
// It adds up costs rather than pauses: what an operation ended too late, because a timer did, the next one makes up for.
// So the programmed rate holds over any number of operations.
type busyClock struct {
	until time.Time // when the operations so far should be done
	ended time.Time // when the last of them was
}

// reserve adds an operation's cost and gives the time at which it should be done.
func (b *busyClock) reserve(now time.Time, cost time.Duration) time.Time {
	if b.until.Before(now) && now.Sub(b.ended) > forgivenGap {
		b.until = now // the card was idle, and idling earns nothing
	}
	b.until = b.until.Add(cost)
	return b.until
}

// end notes that an operation is over. One that cost nothing earns nothing, however long it took.
func (b *busyClock) end(now time.Time, cost time.Duration) {
	b.ended = now
	if cost == 0 && b.until.Before(now) {
		b.until = now
	}
}
