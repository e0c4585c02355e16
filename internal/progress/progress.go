package progress

import (
	"fmt"
	"io"
	"time"
)

// LookEvery is how often meters are looked at.
const LookEvery = 200 * time.Millisecond

// A Progress shows running cards to the operator. It only looks at their meters, so that a slow terminal slows no card.
type Progress struct {
	out       io.Writer
	cards     []Card
	lineEvery time.Duration
}

// A Card is one card at work, whatever is done to it: a Track or a Survey. It is looked at by one goroutine at a time.
type Card interface {
	// look samples its meter, and says whether it is at another step than at the last look.
	look(now time.Time) (changed bool)
	// lastTold says when it was told last; telling notes that it is told now.
	lastTold() time.Time
	telling(now time.Time)
	ended() bool
	called() string
	// String tells its progress in one line.
	String() string
	// doing is its step in one word, inShort its figures in as little room as they take: the bar shows the rest.
	doing() string
	inShort() string
	done() int64
	total() int64 // 0 where that is not known
}

// New shows cards on out, once During is called: as bars where that is a terminal, else in lines, each card whenever its step changes
// and every lineEvery, which must be above 0. What cannot be written is not told: no card stops for it.
func New(out io.Writer, lineEvery time.Duration, cards ...Card) *Progress {
	return &Progress{out: out, cards: cards, lineEvery: lineEvery}
}

// During shows the progress for as long as work runs, and leaves the terminal as it was, also when work panics. It runs work in the
// goroutine that calls it, and looks at the cards in one of its own, which has ended when it returns.
func (p *Progress) During(work func()) {
	stop, stopped := make(chan struct{}), make(chan struct{})
	paint := p.lines
	if bars := p.startBars(); bars != nil {
		paint = bars.paint
	}
	go func() { // ends with stop; awaited below
		defer close(stopped)
		paint(stop)
	}()
	defer func() {
		close(stop)
		<-stopped
	}()
	work()
}

// lines tells each card's progress in a line of its own, now and then and whenever its step changes.
func (p *Progress) lines(stop <-chan struct{}) {
	looking := time.NewTicker(min(LookEvery, p.lineEvery))
	defer looking.Stop()
	for {
		select {
		case <-stop:
			p.tellLines(time.Now(), false)
			return
		case now := <-looking.C:
			p.tellLines(now, true)
		}
	}
}

// tellLines tells what is new of each card, and of those that are at work what is due.
func (p *Progress) tellLines(now time.Time, working bool) {
	for _, c := range p.cards {
		changed := c.look(now)
		due := working && !c.ended() && now.Sub(c.lastTold()) >= p.lineEvery
		if changed || due {
			c.telling(now)
			fmt.Fprintf(p.out, "%s: %s\n", c.called(), c)
		}
	}
}
