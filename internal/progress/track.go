package progress

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/report"
)

// An Image is what the progress is told of the image that goes to cards, or that they are held against. It is asked while the image is
// read by another goroutine.
type Image interface {
	// DeclaredBytes is the decoded image's length as its source states it; ok is false where it does not.
	DeclaredBytes() (bytes int64, ok bool)
	// PackedBytes is how much the source holds as packed, and PackedRead how much of that was read.
	PackedBytes() (bytes int64, ok bool)
	PackedRead() int64
	// Facts tell the decoded image's length once it was read to its end.
	Facts() source.Facts
}

// A nameplate is what the progress calls a card, and when it was told last.
type nameplate struct {
	name string
	told time.Time
}

func (n *nameplate) called() string        { return n.name }
func (n *nameplate) lastTold() time.Time   { return n.told }
func (n *nameplate) telling(now time.Time) { n.told = now }

// A Track is one card's progress as it was looked at lately, while an image goes to it or is held against it.
type Track struct {
	nameplate
	meter      *flash.Meter
	image      Image
	imageBytes int64 // without what is left out of it; 0: not known beforehand
	Stretch
}

// NewTrack follows the card of that name, which is shown as it stands, by its meter. Of the image, leftOutBytes do not go to the card
// and are not compared.
func NewTrack(name string, meter *flash.Meter, image Image, leftOutBytes int64) *Track {
	declared, _ := image.DeclaredBytes()
	return &Track{
		nameplate: nameplate{name: name}, meter: meter, image: image, imageBytes: max(0, declared-leftOutBytes),
	}
}

// look samples the meter, and says whether the card is in another step than at the last look.
func (t *Track) look(now time.Time) (changed bool) {
	return t.See(now, t.meter.Look(), t.image.PackedRead)
}

// ended tells whether nothing is done to the card any more.
func (t *Track) ended() bool { return t.step == flash.StepRecord }

// doing is the step in one word.
func (t *Track) doing() string { return StepInOneWord(t.step) }

// done is how far the step is.
func (t *Track) done() int64 { return t.Bytes() }

// total is how many bytes the step is about; 0 where that is not known.
func (t *Track) total() int64 {
	switch t.step {
	case flash.StepSource:
		packed, _ := t.image.PackedBytes()
		return packed
	case flash.StepProof:
		if t.imageBytes == 0 {
			return cmp.Or(t.Latest().WrittenBytes, t.image.Facts().ImageBytes)
		}
	}
	return t.imageBytes
}

// String tells the card's progress in one line.
func (t *Track) String() string {
	return strings.Join(append([]string{stepInWords(t.step)}, t.figures()...), ", ")
}

// left is how long the step will still take at the present rate.
func (t *Track) left() (left time.Duration, known bool) {
	return timeFor(t.total()-t.Bytes(), t.RateNow())
}

// figures are what is known of how far and how fast the step is.
func (t *Track) figures() []string {
	if !t.Measures() {
		return nil
	}
	done, total := t.Bytes(), t.total()
	figures := []string{report.Size(done)}
	if total > 0 {
		done = min(done, total)
		figures[0] = fmt.Sprintf("%s of %s (%d %%)", report.Size(done), report.Size(total), percent(done, total))
	}
	if now := t.RateNow(); now > 0 {
		figures = append(figures, report.Rate(now)+" now")
	}
	if rate := t.Sustained(); rate > 0 {
		figures = append(figures, "sustained "+report.Rate(rate))
	}
	if left, known := t.left(); known {
		figures = append(figures, Clock(left)+" left")
	}
	if pace := t.Latest().Pace.Pace; pace.IsSlow() {
		figures = append(figures, string(pace))
	}
	return figures
}

// inShort tells the figures in as little room as they take: the bar shows the rest.
func (t *Track) inShort() string {
	if !t.Measures() {
		return ""
	}
	text := amountInShort(t.Bytes(), t.total()) + t.rateInShort()
	if left, known := t.left(); known {
		text += " " + Clock(left) + " left"
	}
	return text
}

// rateInShort is the present rate and the sustained one; of a card that is slow, that and the sustained rate alone.
func (t *Track) rateInShort() (text string) {
	now, sustained := t.RateNow(), t.Sustained()
	if pace := t.Latest().Pace.Pace; pace.IsSlow() && sustained > 0 {
		return fmt.Sprintf(" %s (%s)", pace, report.Rate(sustained))
	}
	if now > 0 {
		text = " " + report.Rate(now)
	}
	if sustained > 0 {
		text += fmt.Sprintf(" (sustained %s)", report.Megabytes(sustained))
	}
	return text
}
