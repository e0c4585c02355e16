package progress

import (
	"fmt"
	"time"

	"github.com/cheggaaa/pb/v3"

	"cardwright/internal/report"
	"cardwright/internal/terminal"
)

// bars show the progress on a terminal, one bar per card.
type bars struct {
	*Progress
	pool    *pb.Pool
	bars    []*pb.ProgressBar
	restore func() // what the program does about the terminal's background
}

// barTemplate is one card's line: what it is and does, a bar where the size is known, and the figures.
const barTemplate = `{{string . "doing"}} {{bar . }} {{string . "figures"}}`

// startBars turns the terminal's echo off and starts the bars. It is nil where there is no terminal to draw on, or the program runs
// in its background, where setting it would stop the program in the middle of a card; then the progress is told in lines.
func (p *Progress) startBars() *bars {
	if terminal.SizeOf(p.out) == nil {
		return nil
	}
	terminal.LeaveSignals() // main ends the work first and then lets the bars stop
	b := &bars{Progress: p, pool: &pb.Pool{Output: p.out}, restore: terminal.KeepRunning()}
	if err := b.pool.Start(); err != nil {
		b.restore()
		return nil
	}
	for _, c := range p.cards {
		c.look(time.Now())
		bar := pb.New64(c.total()).SetTemplateString(barTemplate)
		b.bars = append(b.bars, bar)
		b.draw(c, bar)
	}
	b.pool.Add(b.bars...)
	return b
}

// paint looks at the meters until it is stopped. The terminal is written to by the pool's own goroutine.
func (b *bars) paint(stop <-chan struct{}) {
	// Stopping restores the terminal. An error would say that this failed, which nobody could be told on it.
	defer func() {
		_ = b.pool.Stop()
		b.restore()
	}()
	looking := time.NewTicker(LookEvery)
	defer looking.Stop()
	for {
		select {
		case <-stop:
			b.drawAll(time.Now())
			return
		case now := <-looking.C:
			b.drawAll(now)
		}
	}
}

func (b *bars) drawAll(now time.Time) {
	for i, c := range b.cards {
		c.look(now)
		b.draw(c, b.bars[i])
	}
}

// draw puts a card's state into its bar.
func (b *bars) draw(c Card, bar *pb.ProgressBar) {
	total := c.total()
	bar.SetTotal(total)
	bar.SetCurrent(min(c.done(), max(total, 0)))
	bar.Set("doing", fmt.Sprintf("%-*s %-9s", nameColumns, report.Shortened(c.called(), nameColumns), c.doing()))
	bar.Set("figures", c.inShort())
}

// nameColumns is what a card's name gets, so that 80 columns hold the whole line.
const nameColumns = 14
