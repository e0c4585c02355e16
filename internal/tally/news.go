package tally

import (
	"fmt"
	"sync"
	"time"

	"cardwright/internal/batch"
	"cardwright/internal/logbook"
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
