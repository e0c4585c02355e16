package batch

import (
	"time"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/logbook"
)

// A Kind is what an event tells.
type Kind string

// The kinds of event. Those of one bay come in the order in which they are listed here, again for each card.
const (
	KindBegun    Kind = "begun"    // the batch was begun
	KindSeated   Kind = "seated"   // a card appeared in a bay
	KindRefused  Kind = "refused"  // the card in a bay may not be written; nothing was
	KindHeld     Kind = "held"     // the card is not overwritten before the operator says so
	KindReleased Kind = "released" // the operator said so, or seated the card again; it is overwritten
	KindStarted  Kind = "started"  // the card has its turn and is being written
	KindSlow     Kind = "slow"     // the card is slow so far, while it is being written
	KindFinished Kind = "finished" // the card's run has ended; Run tells how
	KindRemoved  Kind = "removed"  // the card was taken out of its bay, which waits for the next
	KindEnding   Kind = "ending"   // no more cards are begun; those being written are finished
	KindEnded    Kind = "ended"    // the batch is over; Totals sum it up
)

// An Event is one thing that happened in a batch. Fields that a kind does not need are empty.
type Event struct {
	Kind    Kind
	At      time.Time
	Bay     string // the bay's name; empty where the batch as a whole is meant
	Device  string // the node in which the card is seated
	Label   string // what the operator will write on the card
	Number  int64  // the card's sequence number in the batch; 0 before it has its turn
	Reasons []string
	Pace    flash.Judgement // of a slow card so far
	Rate    float64         // of a slow card so far, sustained, in bytes per second
	Run     *logbook.Run    // of a finished card
	Batch   *Facts          // of a batch that was begun
	Totals  *Totals         // of one that ended
}

// Facts are what is known of a batch when it begins.
type Facts struct {
	Name  string
	Image source.Facts
	// CardBytes is how much of the image is written to each card: less than all where free space is left out.
	CardBytes int64
	Bays      []BayFacts
	Wanted    int // how many cards; 0: as many as come
	Before    int // how many of them were done before, by an earlier program
}

// BayFacts say what a bay's name stands for.
type BayFacts struct {
	Name   string
	Device string // as the operator named it
	Place  string // the port path or node that it is bound to
}
