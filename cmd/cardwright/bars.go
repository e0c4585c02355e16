package main

import (
	"fmt"
	"strings"
	"time"

	"github.com/cheggaaa/pb/v3"
	"github.com/cheggaaa/pb/v3/termutil"

	"cardwright/flash"
	"cardwright/internal/report"
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
	if !isTerminal(p.out) {
		return nil
	}
	termutil.AutoTerminate(false) // signals are main's: it ends the work first and then lets the bars stop
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
			return
		case now := <-looking.C:
			for i, t := range b.tracks {
				t.look(now)
				b.draw(t, b.bars[i])
			}
		}
	}
}

// draw puts a track's state into its bar.
func (b *bars) draw(t *track, bar *pb.ProgressBar) {
	total := t.total()
	bar.SetTotal(total)
	bar.SetCurrent(min(t.last().bytes, max(total, 0)))
	bar.Set("doing", fmt.Sprintf("%-*.*s %-9s", nameColumns, nameColumns, t.name, stepInOneWord(t.step)))
	bar.Set("figures", t.inShort())
}

// nameColumns is what a card's name gets, so that 80 columns hold the whole line.
const nameColumns = 14

// inShort tells the figures in as little room as they take: the bar shows the rest.
func (t *track) inShort() string {
	if !t.measures() {
		return ""
	}
	l, total := t.last(), t.total()
	text := megabytes(l.bytes) + " MB"
	if total > 0 {
		text = fmt.Sprintf("%s/%s MB", megabytes(min(l.bytes, total)), megabytes(total))
	}
	if now := t.rateNow(); now > 0 {
		text += fmt.Sprintf(" %s now", report.Rate(now))
	}
	if rate := t.sustained(); rate > 0 {
		text += fmt.Sprintf(", %s sustained", strings.TrimSuffix(report.Rate(rate), " MB/s"))
	}
	if left, known := t.left(); known {
		text += ", " + clock(left) + " left"
	}
	if pace := l.Pace.Pace; isBelow(pace) {
		text += " " + string(pace)
	}
	return text
}

func stepInOneWord(step flash.Step) string {
	switch step {
	case flash.StepSource:
		return "reading"
	case flash.StepClear:
		return "clearing"
	case flash.StepBody, flash.StepHead:
		return "writing"
	case flash.StepProof, flash.StepInspect:
		return "proving"
	case flash.StepRecord:
		return "ended"
	}
	return "waiting"
}
