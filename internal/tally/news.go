package tally

import (
	"fmt"
	"sync"
	"time"

	"cardwright/flash"
	"cardwright/internal/batch"
	"cardwright/internal/logbook"
	"cardwright/internal/progress"
)

// A piece of news is what is told of one event.
type piece struct {
	lines  []string
	tabled bool // the first line belongs under the table's heading
	bell   bool
}

// news collects what is to be shown, so that whoever tells never waits for a terminal.
type news struct {
	came chan struct{} // holds one where something is new

	mu     sync.Mutex // guards the rest
	pieces []piece
	lost   int
	scored score
}

// A score is how far a batch is.
type score struct {
	begunAt                      time.Time // zero before
	cardBytes                    int64
	intact, failed, slow, before int
	wanted                       int // 0: as many as come
}

// newsRoom is how many pieces wait for a terminal that is stuck. The oldest are lost first: the totals tell of their cards too.
const newsRoom = 1000

func newNews() *news { return &news{came: make(chan struct{}, 1)} }

func (n *news) add(p piece) {
	n.mu.Lock()
	n.pieces = append(n.pieces, p)
	if len(n.pieces) > newsRoom {
		n.pieces = n.pieces[1:]
		n.lost++
	}
	n.mu.Unlock()
	select {
	case n.came <- struct{}{}:
	default:
	}
}

// take gives what is new.
func (n *news) take() []piece {
	n.mu.Lock()
	defer n.mu.Unlock()
	taken := n.pieces
	if n.lost > 0 {
		taken = append([]piece{{lines: []string{fmt.Sprintf("(%d messages are left out here)", n.lost)}}}, taken...)
	}
	n.pieces, n.lost = nil, 0
	return taken
}

// count keeps the score.
func (n *news) count(e batch.Event) {
	n.mu.Lock()
	defer n.mu.Unlock()
	s := &n.scored
	switch {
	case e.Kind == batch.KindBegun && e.Batch != nil:
		s.begunAt, s.cardBytes, s.wanted, s.before = e.At, e.Batch.CardBytes, e.Batch.Wanted, e.Batch.Before
	case e.Kind != batch.KindFinished || e.Run == nil:
	case e.Run.Verdict != logbook.Intact:
		s.failed++
	default:
		s.intact++
		if e.Run.Pace.IsSlow() {
			s.slow++
		}
	}
}

func (n *news) score() score {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.scored
}

// tracks follow the cards at work, by bay.
type tracks map[string]*bayTrack

// see takes a new look at all bays, in their order.
func (t tracks) see(now time.Time, looks []batch.Look) []*bayTrack {
	all := make([]*bayTrack, len(looks))
	for i, l := range looks {
		track := t[l.Bay]
		if track == nil {
			track = &bayTrack{told: now}
			t[l.Bay] = track
		}
		if l.Meter == nil || l.Number != track.Number {
			track.Stretch = progress.Stretch{} // of another card
		}
		track.Look = l
		if l.Meter != nil {
			track.See(now, *l.Meter, func() int64 { return 0 }) // a batch's image was read before it
		}
		all[i] = track
	}
	return all
}

// A bayTrack is a bay as it was looked at lately.
type bayTrack struct {
	batch.Look
	progress.Stretch           // of a card at work
	told             time.Time // when a line last told of it
}

// atWork tells whether there is a card at work that can be told of.
func (b *bayTrack) atWork() bool { return b.Phase == batch.PhaseWorking && b.WasSeen() }

// isSlow tells whether the card at work is slow so far.
func (b *bayTrack) isSlow() bool {
	return b.atWork() && b.Latest().Pace.Pace.IsSlow() && b.Step() == flash.StepBody
}
