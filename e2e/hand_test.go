//go:build device

package e2e_test

import (
	"strings"
	"testing"
	"time"
)

// A stackCard is one card of the stack that hands work through: how it is, what must become of it, and what the stream told.
type stackCard struct {
	*seated // nil: the hand's first card that is done, once more
	what    string
	verdict string // that its run must come to; empty where it must not be written
	held    string // what the reasons must say for which it is held; empty where it must go straight through
	slow    string // the pace that must be told while it is written
	leaves  departure

	reached      <-chan struct{} // closed once it is written half-way
	writtenBytes int64           // when it was seated first

	heldFor  []string
	released int
	started  int
	paceTold string
	run      *cardDoc
}

// A departure is when a hand takes a card out.
type departure int

const (
	whenFinished      departure = iota // when the program says that it may
	whenHeld                           // when it is held; all others that are held are seated again
	whileWritten                       // half-way, and the bay stays empty for a while
	swapWhileWritten                   // half-way, with the next card seated at once
	halfWayBytes      = 40 * mib
	letGoWithin       = 3 * time.Second // how soon the program must have closed a card that was pulled
	reachedWithinLong = time.Minute
)

// A hand works one bay, and knows nothing but what the stream tells.
type hand struct {
	*bay
	t       *testing.T
	waits   bool // for the news that a card was removed, before it seats the next; else it swaps at once
	pile    []*stackCard
	handled []*stackCard
	in      *stackCard   // the card that is seated
	put     []*stackCard // seated, and not told of yet
	at      *stackCard   // the one that the program tells of
	letGo   time.Duration
}

// seatNext takes the next card from the pile, where one is left.
func (h *hand) seatNext() {
	h.t.Helper()
	if len(h.pile) == 0 {
		return
	}
	c := h.pile[0]
	h.pile, h.handled = h.pile[1:], append(h.handled, c)
	if c.seated == nil {
		c.seated = h.firstDone()
	}
	c.writtenBytes = c.Counts().WrittenBytes
	if c.leaves == whileWritten || c.leaves == swapWhileWritten {
		c.reached = c.reaches(halfWayBytes)
	}
	h.seatCard(c)
}

// firstDone gives the first card of this hand that is done.
func (h *hand) firstDone() *seated {
	h.t.Helper()
	for _, c := range h.handled {
		if c.run != nil && c.run.Verdict == "intact" {
			return c.seated
		}
	}
	h.t.Fatalf("%s: no card is done yet", h.name)
	return nil
}

func (h *hand) seatCard(c *stackCard) {
	h.t.Helper()
	h.seat(h.t, c.seated)
	h.in, h.put = c, append(h.put, c)
}

func (h *hand) takeOut() {
	h.t.Helper()
	h.pull(h.t)
	h.in = nil
}

// react does what a hand does on an event of its bay.
func (h *hand) react(e eventDoc) {
	h.t.Helper()
	switch e.Event {
	case "seated":
		if len(h.put) == 0 {
			h.t.Fatalf("%s: a card is told of that nobody seated", h.name)
		}
		h.at, h.put = h.put[0], h.put[1:]
	case "refused":
		h.t.Errorf("%s: the %s card is refused: %q", h.name, h.at.what, e.Reasons)
	case "held":
		h.reactToHeld(e)
	case "released":
		h.at.released++
	case "started":
		h.at.started++
		h.reactToStarted()
	case "slow":
		h.at.paceTold = e.Pace
	case "finished":
		h.at.run = e.Run
		if h.in == h.at {
			h.takeOut()
			if !h.waits {
				h.seatNext()
			}
		}
	case "removed":
		if h.in == nil {
			h.seatNext()
		}
	}
}

// reactToHeld puts a card aside that is done, and seats any other again, which says that it may be overwritten.
func (h *hand) reactToHeld(e eventDoc) {
	h.t.Helper()
	if h.at.heldFor = append(h.at.heldFor, strings.Join(e.Reasons, "; ")); len(h.at.heldFor) > 1 {
		h.t.Fatalf("%s: the %s card is held again: %q", h.name, h.at.what, h.at.heldFor)
	}
	h.takeOut()
	switch {
	case h.at.leaves != whenHeld:
		h.seatCard(h.at)
	case !h.waits:
		h.seatNext()
	}
}

// reactToStarted takes a card out half-way, where it is to be.
func (h *hand) reactToStarted() {
	h.t.Helper()
	if h.at.reached == nil {
		return
	}
	select {
	case <-h.at.reached:
	case <-time.After(reachedWithinLong):
		h.t.Fatalf("%s: the %s card is not written", h.name, h.at.what)
	}
	h.takeOut()
	if h.at.leaves == swapWhileWritten {
		h.seatNext()
		return
	}
	if h.letGo = h.empties(h.t); h.letGo > letGoWithin {
		h.t.Errorf("%s: the card that was pulled was let go after %v", h.name, h.letGo)
	}
}
