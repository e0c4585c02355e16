package tally

// This file is inside the package: what is drawn of bays, and when, is seen here without a terminal.

import (
	"strings"
	"testing"
	"time"

	"cardwright/flash"
	"cardwright/internal/batch"
	"cardwright/internal/report"
	"cardwright/internal/terminal"
)

// marked shows what stands out between guillemets.
func marked(lines []string) string {
	return strings.NewReplacer("\x1b[1;7m", "«", "\x1b[0m", "»").Replace(strings.Join(lines, "\n")) + "\n"
}

// looksOfAll are bays in every phase. Two of them are at work, of which one is slow.
func looksOfAll(wroteBytes int64) []batch.Look {
	writing := flash.Progress{Step: flash.StepBody, WrittenBytes: wroteBytes, Busy: time.Duration(wroteBytes) * time.Second / 18e6}
	slow := flash.Progress{
		Step: flash.StepBody, WrittenBytes: wroteBytes, Busy: time.Duration(wroteBytes) * time.Second / 6.1e6,
		Pace: flash.Judgement{Pace: flash.PaceBelowPeers, Peers: 7, PeersMedian: 18e6},
	}
	return []batch.Look{
		{Bay: "a", Phase: batch.PhaseEmpty, Label: "node-01", Number: 1},
		{Bay: "b", Phase: batch.PhaseLooking, Device: "/dev/sdb"},
		{Bay: "c", Phase: batch.PhaseRefused, Reasons: []string{"it holds the mounted file system \x1b[2J", "it is read-only"}},
		{Bay: "d", Phase: batch.PhaseHeld, Reasons: []string{"it holds files: ext4 \"root\" in partition 2, written to since it was flashed"}},
		{Bay: "e", Phase: batch.PhaseWorking, Label: "node-02", Number: 2, Progress: &writing, Left: 80 * time.Second},
		{Bay: "a-reader-with-a-long-name", Phase: batch.PhaseWorking, Number: 3, Progress: &slow, Left: 4000 * time.Second},
		{Bay: "f", Phase: batch.PhaseFinished, Label: "node-04", Number: 4, Last: &batch.Card{Verdict: "intact", Pace: flash.PaceAsPeers, BytesPerSecond: 21.9e6}},
		{Bay: "g", Phase: batch.PhaseFinished, Label: "a label that is far too long", Number: 5, Last: &batch.Card{Verdict: "damaged", Reason: "2 places differ, from byte 4194304 on"}},
		{Bay: "h", Phase: batch.PhaseFinished, Label: "node-06", Number: 6, Last: &batch.Card{Verdict: "intact", Pace: flash.PaceBelowFloor, BytesPerSecond: 9e6}},
		{Bay: "i", Phase: batch.PhaseIdle, Label: "node-07", Number: 7},
	}
}

// The block tells of each bay what the hands need, within the columns there are, and a held card is asked for in words.
func TestBaysAreDrawn(t *testing.T) {
	now := beginning()
	s := score{begunAt: now.Add(-42 * time.Minute), cardBytes: 415_236_096, intact: 12, failed: 1, slow: 2, before: 3, wanted: 30}
	all := tracks{}
	all.see(now, looksOfAll(100e6))
	bays := all.see(now.Add(time.Second), looksOfAll(118e6))
	var text strings.Builder
	for _, columns := range []int{79, 119, 40, 10} {
		block := drawing{now, columns}.block(bays, s, "de")
		text.WriteString(marked(block))
		plain := strings.NewReplacer("«", "", "»", "").Replace(marked(block))
		for line := range strings.SplitSeq(plain, "\n") {
			if report.Columns(line) > columns || strings.ContainsAny(line, "\x1b") {
				t.Errorf("%q has more than %d columns, or steers the terminal", line, columns)
			}
		}
	}
	expectGolden(t, "bays.txt", text.String())
}

// While the cards at work are all that is left, no bay asks for another card.
func TestNoCardIsAskedForThatIsNotWanted(t *testing.T) {
	now := beginning()
	all := tracks{}
	all.see(now, looksOfAll(100e6))
	bays := all.see(now.Add(time.Second), looksOfAll(118e6))
	s := score{begunAt: now, cardBytes: 415_236_096, intact: 12, before: 3, wanted: 17}
	expectGolden(t, "lastbays.txt", marked(drawing{now, 79}.block(bays, s, "")))
	s.wanted++
	if text := marked(drawing{now, 79}.block(bays, s, "")); !strings.Contains(text, "seat a card in a") {
		t.Errorf("one more is wanted, and nothing asks for it:\n%s", text)
	}
}

// A step's rate is not mixed with that of the card before, nor of the step before.
func TestRatesAreOfOneCardAndStep(t *testing.T) {
	all, now := tracks{}, beginning()
	look := func(number int64, p flash.Progress) *bayTrack {
		now = now.Add(time.Second)
		return all.see(now, []batch.Look{{Bay: "a", Phase: batch.PhaseWorking, Number: number, Progress: &p}})[0]
	}
	look(1, flash.Progress{Step: flash.StepBody, WrittenBytes: 100e6})
	if rate := look(1, flash.Progress{Step: flash.StepBody, WrittenBytes: 110e6}).RateNow(); rate != 10e6 {
		t.Errorf("written at %v", rate)
	}
	if rate := look(1, flash.Progress{Step: flash.StepProof, WrittenBytes: 110e6}).RateNow(); rate != 0 {
		t.Errorf("proven at %v before anything was", rate)
	}
	look(1, flash.Progress{Step: flash.StepBody, WrittenBytes: 110e6})
	if rate := look(2, flash.Progress{Step: flash.StepBody, WrittenBytes: 4e6}).RateNow(); rate != 0 {
		t.Errorf("the second card's rate began at %v", rate)
	}
}

// The terminal is drawn on where something changed, in one write, and the bell rings once for what wants the hands.
func TestBlockIsRedrawnInPlace(t *testing.T) {
	var out strings.Builder
	p := &bayPainter{out: &out, size: func() (int, int) { return 80, 24 }, typing: &terminal.Typing{}, bell: true}
	written := func() string {
		defer out.Reset()
		return out.String()
	}
	now, s := beginning(), score{}
	empty := tracks{}.see(now, []batch.Look{{Bay: "a", Phase: batch.PhaseEmpty}})
	p.paint(now, nil, empty, s)
	if got := written(); strings.Contains(got, "\x1b[J") || strings.HasSuffix(got, "\n") || strings.Contains(got, "\a") {
		t.Errorf("the first block is %q", got)
	}
	p.paint(now, nil, empty, s)
	if got := written(); got != "" {
		t.Errorf("nothing changed, and %q was written", got)
	}
	p.paint(now, []piece{{lines: []string{"news"}, bell: true}, {lines: []string{"more"}, bell: true}}, empty, s)
	// The block has three lines, and ECMA-48 (5th edition, 8.3.22 and 8.3.39) tells what goes up and what erases to the end.
	if got := written(); !strings.HasPrefix(got, "\r\x1b[2A\x1b[Jnews\nmore\nThe batch begins.\n") || strings.Count(got, "\a") != 1 {
		t.Errorf("with news it is %q", got)
	}
	p.last([]piece{{lines: []string{"the end"}}})
	if got := written(); got != "\r\x1b[2A\x1b[Jthe end\n" {
		t.Errorf("at the end it is %q", got)
	}
}

// On a screen with few lines the lowest of the block stay, where the hands look.
func TestBlockFitsALowScreen(t *testing.T) {
	var out strings.Builder
	p := &bayPainter{out: &out, size: func() (int, int) { return 80, 4 }, typing: &terminal.Typing{}}
	p.paint(beginning(), nil, tracks{}.see(beginning(), looksOfAll(1e6)), score{})
	lines := strings.Split(out.String(), "\n")
	if len(lines) != 3 || !strings.HasPrefix(lines[0], "Next: ") || !strings.HasPrefix(lines[2], "Overwrite the held card") {
		t.Errorf("%d lines: %q", len(lines), lines)
	}
}

// In lines, a card at work is told of now and then, and nothing else is.
func TestCardsAtWorkAreToldInLines(t *testing.T) {
	var out strings.Builder
	p := &linePainter{out: &out, every: 5 * time.Second}
	all, now := tracks{}, beginning()
	for second := range 13 {
		at := now.Add(time.Duration(second) * time.Second)
		p.paint(at, nil, all.see(at, looksOfAll(100e6+int64(second)*1e6)), score{cardBytes: 415_236_096})
	}
	expectGolden(t, "work.txt", out.String())
}

// The table's heading comes again before it has left the screen.
func TestHeadingComesAgain(t *testing.T) {
	var text table
	lines := text.textOf(make([]piece, 3))
	for range 45 {
		lines = append(lines, text.textOf([]piece{{lines: []string{"a card"}, tabled: true}})...)
	}
	if got := strings.Count(strings.Join(lines, "\n"), finishedHeading()); got != 3 || len(lines) != 48 {
		t.Errorf("%d headings in %d lines", got, len(lines))
	}
}

// What rings the bell is what wants the hands, and with --quiet nothing does.
func TestBellRingsForWhatWantsHands(t *testing.T) {
	want := map[batch.Kind]bool{
		batch.KindFinished: true, batch.KindHeld: true, batch.KindRefused: true, batch.KindSlow: true,
		batch.KindReleased: false, batch.KindBegun: false, batch.KindEnding: false,
	}
	for _, e := range batchEvents(beginning()) {
		rings, told := want[e.Kind]
		if !told {
			continue
		}
		face := &Tally{news: newNews(), size: func() (int, int) { return 80, 24 }}
		face.Tell(e)
		for _, quiet := range []bool{false, true} {
			var out strings.Builder
			p := &bayPainter{out: &out, bell: !quiet}
			p.draw(face.news.pieces, nil)
			if got := strings.Contains(out.String(), "\a"); got != (rings && !quiet) || out.Len() == 0 {
				t.Errorf("%s, quiet %v: the bell rings: %v", e.Kind, quiet, got)
			}
		}
	}
}
