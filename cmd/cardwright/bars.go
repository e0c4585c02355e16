package main

import (
	"fmt"
	"strings"
	"time"

	"github.com/cheggaaa/pb/v3"

	"cardwright/flash"
	"cardwright/internal/report"
	"cardwright/internal/terminal"
)

// bars show the progress on a terminal, one bar per card.
type bars struct {
	*progress
	pool *pb.Pool
	bars []*pb.ProgressBar
}

// barTemplate is one card's line: what it is and does, a bar where the size is known, and the figures.
const barTemplate = `{{string . "doing"}} {{bar . }} {{string . "figures"}}`

// startBars turns the terminal's echo off and starts the bars. It is nil where there is no terminal to draw on; then the
// progress is told in lines.
func (p *progress) startBars() *bars {
	if !terminal.Is(p.out) {
		return nil
	}
	terminal.LeaveSignals() // main ends the work first and then lets the bars stop
	b := &bars{progress: p, pool: &pb.Pool{Output: p.out}}
	if err := b.pool.Start(); err != nil {
		return nil
	}
	for _, t := range p.tracks {
		t.look(time.Now())
		bar := pb.New64(t.total()).SetTemplateString(barTemplate)
		b.bars = append(b.bars, bar)
		b.draw(t, bar)
	}
	b.pool.Add(b.bars...)
	return b
}

// paint looks at the meters until it is stopped. The terminal is written to by the pool's own goroutine.
func (b *bars) paint(stop <-chan struct{}) {
	// Stopping restores the terminal. An error would say that this failed, which nobody could be told on it.
	defer func() { _ = b.pool.Stop() }()
	looking := time.NewTicker(lookEvery)
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
	for i, t := range b.tracks {
		t.look(now)
		b.draw(t, b.bars[i])
	}
}

// draw puts a track's state into its bar.
func (b *bars) draw(t watched, bar *pb.ProgressBar) {
	total := t.total()
	bar.SetTotal(total)
	bar.SetCurrent(min(t.done(), max(total, 0)))
	bar.Set("doing", fmt.Sprintf("%-*s %-9s", nameColumns, report.Shortened(t.called(), nameColumns), t.doing()))
	bar.Set("figures", t.inShort())
}

// nameColumns is what a card's name gets, so that 80 columns hold the whole line.
const nameColumns = 14

// inShort tells the figures in as little room as they take: the bar shows the rest.
func (t *track) inShort() string {
	if !t.measures() {
		return ""
	}
	text := amountInShort(t.last().bytes, t.total()) + t.rateInShort()
	if left, known := t.left(); known {
		text += " " + clock(left) + " left"
	}
	return text
}

// rateInShort is the present rate and the sustained one; of a card that is slow, that and the sustained rate alone.
func (t *track) rateInShort() (text string) {
	now, sustained := t.rateNow(), t.sustained()
	if pace := t.last().Pace.Pace; pace.IsSlow() && sustained > 0 {
		return fmt.Sprintf(" %s (%s)", pace, report.Rate(sustained))
	}
	if now > 0 {
		text = " " + report.Rate(now)
	}
	if sustained > 0 {
		text += fmt.Sprintf(" (sustained %s)", strings.TrimSuffix(report.Rate(sustained), " MB/s"))
	}
	return text
}

// amountInShort is how much of a total is done, in whole MB where there are many.
func amountInShort(done, total int64) string {
	if total <= 0 {
		return report.Size(done)
	}
	done = min(done, total)
	switch {
	case total < 1e6:
		return report.Size(done) + "/" + report.Size(total)
	case total < 100e6:
		return fmt.Sprintf("%.1f/%.1f MB", float64(done)/1e6, float64(total)/1e6)
	}
	return fmt.Sprintf("%.0f/%.0f MB", float64(done)/1e6, float64(total)/1e6)
}

func stepInOneWord(step flash.Step) string {
	switch step {
	case flash.StepSource:
		return "reading"
	case flash.StepClear:
		return "clearing"
	case flash.StepBody, flash.StepFiles, flash.StepHead:
		return "writing"
	case flash.StepProof, flash.StepInspect:
		return "proving"
	case flash.StepRecord:
		return "ended"
	}
	return "waiting"
}
