package tally

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"cardwright/internal/report"
	"cardwright/internal/terminal"
)

// A painter shows a batch.
type painter interface {
	// paint shows what is new and how the bays are.
	paint(now time.Time, pieces []piece, bays []*bayTrack, s score)
	// last shows what is still new when the batch is over.
	last(pieces []piece)
}

// A table numbers its lines, so that its heading comes again before it has left the screen.
type table struct{ lines int }

// headingEvery is after how many lines the table's heading comes again.
const headingEvery = 20

// textOf gives the lines of pieces of news.
func (t *table) textOf(pieces []piece) (lines []string) {
	for _, p := range pieces {
		if p.tabled {
			if t.lines%headingEvery == 0 {
				lines = append(lines, finishedHeading())
			}
			t.lines++
		}
		lines = append(lines, p.lines...)
	}
	return lines
}

// A linePainter tells in lines, where there is no terminal to draw on: the news, and of each card at work now and then how far it
// is.
type linePainter struct {
	out   io.Writer
	every time.Duration
	table
}

func (p *linePainter) paint(now time.Time, pieces []piece, bays []*bayTrack, s score) {
	p.last(pieces)
	for _, b := range bays {
		if !b.atWork() {
			b.told = now
			continue
		}
		if now.Sub(b.told) >= p.every {
			b.told = now
			text := fmt.Sprintf("%s: %s: %s", b.Bay, cardInWords(b.Label, b.Number), b.line(s.cardBytes, 0, true))
			fmt.Fprintln(p.out, report.Printable(text))
		}
	}
}

func (p *linePainter) last(pieces []piece) {
	for _, line := range p.textOf(pieces) {
		fmt.Fprintln(p.out, line)
	}
}

// A bayPainter draws the bays as a block at the terminal's lower end and lets the news scroll by above it.
type bayPainter struct {
	out    io.Writer
	size   func() (columns, lines int)
	typing *terminal.Typing
	bell   bool
	table
	drawn []string // the block on the screen; the cursor is at the end of its last line
}

func (p *bayPainter) paint(now time.Time, pieces []piece, bays []*bayTrack, s score) {
	columns, lines := p.size()
	block := drawing{now, columns - 1}.block(bays, s, p.typing.Typed()) // a full line would make some terminals wrap
	p.draw(pieces, block[max(len(block)-(lines-1), 0):])
}

// last takes the bays off the screen.
func (p *bayPainter) last(pieces []piece) { p.draw(pieces, nil) }

// draw replaces the block on the screen in one write, with the news above it. Where nothing changed it writes nothing.
func (p *bayPainter) draw(pieces []piece, block []string) {
	ring := p.bell && slices.ContainsFunc(pieces, func(n piece) bool { return n.bell })
	if len(pieces) == 0 && slices.Equal(block, p.drawn) {
		return
	}
	var text strings.Builder
	if len(p.drawn) > 0 {
		text.WriteString("\r")
		if up := len(p.drawn) - 1; up > 0 {
			fmt.Fprintf(&text, "\x1b[%dA", up) // CUU and ED of ECMA-48
		}
		text.WriteString("\x1b[J")
	}
	for _, line := range p.textOf(pieces) {
		text.WriteString(line + "\n")
	}
	text.WriteString(strings.Join(block, "\n"))
	if ring {
		text.WriteString("\a")
	}
	p.drawn = block
	_, _ = io.WriteString(p.out, text.String()) // a terminal that is gone is no reason to stop cards
}
