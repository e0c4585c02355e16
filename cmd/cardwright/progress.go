package main

import (
	"cmp"
	"fmt"
	"io"
	"strings"
	"time"

	"cardwright/flash"
	"cardwright/internal/report"
)

// A progress shows running cards to the operator. It only looks at their meters, so that a slow terminal slows no card.
type progress struct {
	out       io.Writer
	tracks    []watched
	lineEvery time.Duration
}

// A watched is one card at work, whatever is done to it.
type watched interface {
	// look samples its meter, and says whether it is at another step than at the last look.
	look(now time.Time) (changed bool)
	// told says when it was told last; telling notes that it is told now.
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

// newProgress shows cards while an image goes to them, or is held against them.
func (p *program) newProgress(image openImage, tracks []*track) *progress {
	declared, _ := image.DeclaredBytes()
	all := make([]watched, len(tracks))
	for i, t := range tracks {
		t.image, t.imageBytes = image, max(0, declared-t.leftOutBytes)
		all[i] = t
	}
	return p.progressOf(all...)
}

// progressOf shows cards at any work.
func (p *program) progressOf(tracks ...watched) *progress {
	return &progress{out: p.stderr, tracks: tracks, lineEvery: p.lineEvery}
}

// leavingOut takes what is left out off what a step is about.
func leavingOut(bytes int64, tracks []*track) []*track {
	for _, t := range tracks {
		t.leftOutBytes = bytes
	}
	return tracks
}

// during shows the progress for as long as work runs, and leaves the terminal as it was, also when work panics.
func (p *progress) during(work func()) {
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

// lookEvery is how often the meters are looked at.
const lookEvery = 200 * time.Millisecond

// lines tells each card's progress in a line of its own, now and then and whenever its step changes.
func (p *progress) lines(stop <-chan struct{}) {
	looking := time.NewTicker(min(lookEvery, p.lineEvery))
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
func (p *progress) tellLines(now time.Time, working bool) {
	for _, t := range p.tracks {
		changed := t.look(now)
		due := working && !t.ended() && now.Sub(t.lastTold()) >= p.lineEvery
		if changed || due {
			t.telling(now)
			fmt.Fprintf(p.out, "%s: %s\n", t.called(), t)
		}
	}
}

// A nameplate is what the progress calls a card, and when it was told last.
type nameplate struct {
	name string
	told time.Time
}

func (n *nameplate) called() string        { return n.name }
func (n *nameplate) lastTold() time.Time   { return n.told }
func (n *nameplate) telling(now time.Time) { n.told = now }

// A track is one card's progress as it was looked at lately, while an image goes to it or is held against it.
type track struct {
	nameplate
	meter        *flash.Meter
	image        openImage
	imageBytes   int64 // 0: not known beforehand
	leftOutBytes int64 // of the image
	stretch
}

// look samples the meter, and says whether the card is in another step than at the last look.
func (t *track) look(now time.Time) (changed bool) {
	return t.see(now, t.meter.Look(), t.image.PackedRead)
}

// ended tells whether nothing is done to the card any more.
func (t *track) ended() bool { return t.step == flash.StepRecord }

// doing is the step in one word.
func (t *track) doing() string { return stepInOneWord(t.step) }

// done is how far the step is.
func (t *track) done() int64 { return t.last().bytes }

// total is how many bytes the step is about; 0 where that is not known.
func (t *track) total() int64 {
	switch t.step {
	case flash.StepSource:
		packed, _ := t.image.PackedBytes()
		return packed
	case flash.StepProof:
		if t.imageBytes == 0 {
			return cmp.Or(t.last().WrittenBytes, t.image.Facts().ImageBytes)
		}
	}
	return t.imageBytes
}

// String tells the card's progress in one line.
func (t *track) String() string {
	return strings.Join(append([]string{stepInWords(t.step)}, t.figures()...), ", ")
}

// left is how long the step will still take at the present rate.
func (t *track) left() (left time.Duration, known bool) {
	rest, now := t.total()-t.last().bytes, t.rateNow()
	if rest <= 0 || now <= 0 {
		return 0, false
	}
	return time.Duration(float64(rest) / now * float64(time.Second)), true
}

// figures are what is known of how far and how fast the step is.
func (t *track) figures() []string {
	if !t.measures() {
		return nil
	}
	l, total := t.last(), t.total()
	figures := []string{report.Size(l.bytes)}
	if total > 0 {
		done := min(l.bytes, total)
		figures[0] = fmt.Sprintf("%s of %s (%d %%)", report.Size(done), report.Size(total), 100*done/total)
	}
	if now := t.rateNow(); now > 0 {
		figures = append(figures, report.Rate(now)+" now")
	}
	if rate := t.sustained(); rate > 0 {
		figures = append(figures, "sustained "+report.Rate(rate))
	}
	if left, known := t.left(); known {
		figures = append(figures, clock(left)+" left")
	}
	if pace := l.Pace.Pace; pace.IsSlow() {
		figures = append(figures, string(pace))
	}
	return figures
}

func stepInWords(step flash.Step) string {
	switch step {
	case flash.StepSource:
		return "reading the image"
	case flash.StepClear:
		return "clearing both ends"
	case flash.StepBody:
		return "writing"
	case flash.StepProof:
		return "proving"
	case flash.StepFiles:
		return "writing the card's own files"
	case flash.StepHead:
		return "writing the boot sector"
	case flash.StepInspect:
		return "reading the table"
	case flash.StepRecord:
		return "ended, see the report"
	}
	return "waiting for the image"
}

// clock gives a duration as minutes and seconds.
func clock(d time.Duration) string {
	seconds := int64(d.Round(time.Second).Seconds())
	if seconds >= 3600 {
		return fmt.Sprintf("%d:%02d:%02d", seconds/3600, seconds/60%60, seconds%60)
	}
	return fmt.Sprintf("%d:%02d", seconds/60, seconds%60)
}
