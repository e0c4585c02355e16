package batch

import (
	"time"

	"cardwright/flash"
	"cardwright/internal/logbook"
)

// A Phase is what a bay is at.
type Phase string

// The phases of a bay.
const (
	PhaseEmpty    Phase = "empty"    // it waits for a card
	PhaseLooking  Phase = "looking"  // a card is being looked at
	PhaseRefused  Phase = "refused"  // its card may not be written
	PhaseHeld     Phase = "held"     // its card is not overwritten before the operator says so
	PhaseWorking  Phase = "working"  // its card is being flashed and proven
	PhaseFinished Phase = "finished" // its card's run has ended; it wants to be swapped
	PhaseIdle     Phase = "idle"     // no more cards are wanted here
)

// A Look is one look at a bay.
type Look struct {
	Bay      string
	Phase    Phase
	Device   string // where a card is seated
	Label    string // of the card that has its turn, or had it last
	Number   int64
	Reasons  []string        // why the card is held or refused
	Last     *Card           // the card that was finished here last; nil for none
	Progress *flash.Progress // of a card at work; nil else
	// Left is how long the card at work will take until the bay wants its next one; 0 where it cannot be told yet.
	Left time.Duration
}

// A Card is what the totals keep of a finished card.
type Card struct {
	Bay            string
	Label          string
	Number         int64
	RunID          int64
	Verdict        logbook.Verdict
	Pace           flash.Pace
	SecondsToFlash float64 // 0 where it did not come to that
	SecondsToProof float64 // from the first byte written to the last block compared; 0 where it did not come to that
	BytesPerSecond float64 // sustained; 0 where nothing was written
	Reason         string  // why it is not intact; empty where it is
	ReportedAt     time.Time
}

// Totals sum up a batch. Times are those of intact cards.
type Totals struct {
	Elapsed      time.Duration
	Cards        []Card // all that were finished in this program's life, in that order
	Intact       int
	Failed       int // not intact
	Slow         int // intact, but below the floor, what it claims or its peers
	Before       int // done before, by an earlier program
	Wanted       int // 0: as many as come
	CardsPerHour float64
	// The fastest, the median and the slowest intact card by its time to proven; nil where no card was intact.
	Fastest, Median, Slowest *Card
}
