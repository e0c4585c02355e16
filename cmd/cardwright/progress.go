package main

import (
	"cmp"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"cardwright/flash"
	"cardwright/internal/report"
)

// A progress shows running cards to the operator. It only looks at their meters, so that a slow terminal slows no card.
type progress struct {
	out       io.Writer
	tracks    []*track
	lineEvery time.Duration
}

// newProgress shows cards while an image goes to them, or is held against them.
func (p *program) newProgress(image openImage, tracks []*track) *progress {
	declared, _ := image.DeclaredBytes()
	for _, t := range tracks {
		t.image, t.imageBytes = image, declared
	}
	return &progress{out: p.stderr, tracks: tracks, lineEvery: p.lineEvery}
}

// leavingOut takes what is left out off what a step is about.
func (p *progress) leavingOut(bytes int64) *progress {
	for _, t := range p.tracks {
		t.imageBytes = max(0, t.imageBytes-bytes)
	}
	return p
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
		due := working && t.step != flash.StepRecord && now.Sub(t.told) >= p.lineEvery
		if changed || due {
			t.told = now
			fmt.Fprintf(p.out, "%s: %s\n", t.name, t)
		}
	}
}

// A track is one card's progress as it was looked at lately.
type track struct {
	name       string
	meter      *flash.Meter
	image      openImage
	imageBytes int64 // 0: not known beforehand
	told       time.Time
	stretch
}

// look samples the meter, and says whether the card is in another step than at the last look.
func (t *track) look(now time.Time) (changed bool) {
	return t.see(now, t.meter.Look(), t.image.PackedRead)
}

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

// isTerminal tells whether something that is written to shows on a terminal.
func isTerminal(out io.Writer) bool {
	file, ok := out.(*os.File)
	if !ok {
		return false
	}
	_, err := unix.IoctlGetTermios(int(file.Fd()), unix.TCGETS)
	return err == nil
}
