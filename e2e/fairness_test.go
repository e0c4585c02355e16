//go:build device

package e2e_test

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"syscall"
	"testing"
	"time"

	"cardwright/internal/cardlab"
)

// A crowd is how many cards a batch works on at once. One that falls silent may sit among them, and is not waited for.
type crowd struct {
	name   string
	cards  int
	silent bool
	best   time.Duration // of all tries
}

// TestCardsAtOnceTakeNoLongerThanOne compares the slowest of eight cards of a batch with one alone, from when a card is begun to
// when its run has ended. Other work on the machine only makes either longer, so that of a few tries the shortest counts, on both
// sides. The cards are slow enough for two processors to emulate them besides, and the bound leaves room for other work that never
// pauses: what is fed by turns, or waits for a silent card, is far beyond it. The bench finds out the ratio itself, of faster cards.
func TestCardsAtOnceTakeNoLongerThanOne(t *testing.T) {
	const (
		tries = 4
		most  = 1.2
	)
	image := randomImage(t, 32*mib)
	alone := &crowd{name: "alone", cards: 1, best: math.MaxInt64}
	crowds := []*crowd{
		{name: "all sound", cards: 8, best: math.MaxInt64},
		{name: "one of them silent", cards: 8, silent: true, best: math.MaxInt64},
	}
	for range tries {
		alone.try(t, image)
		kept := true
		for _, c := range crowds {
			if float64(c.best) > most*float64(alone.best) {
				c.try(t, image)
			}
			ratio := float64(c.best) / float64(alone.best)
			t.Logf("MEASURED %d cards at once, %s: %.2f s, alone %.2f s: %.3f x",
				c.cards, c.name, c.best.Seconds(), alone.best.Seconds(), ratio)
			kept = kept && ratio <= most
		}
		if kept {
			return
		}
	}
	t.Errorf("in none of %d tries did the cards at once take less than %.2f times as long as one", tries, most)
}

// try has a batch work on the crowd once. Its cards are gone afterwards.
func (c *crowd) try(t *testing.T, image string) {
	t.Run(c.name, func(t *testing.T) { c.best = min(c.best, c.slowest(t, image)) })
}

// slowest is the longest that any card of the crowd takes.
func (c *crowd) slowest(t *testing.T, image string) time.Duration {
	t.Helper()
	args := []string{"batch", image, "--raw", "--yes", "--fixed-ok", "--overwrite-anything", "--json", "--store", t.TempDir()}
	var silent *seated
	for i := range c.cards {
		traits := cardlab.Traits{SizeBytes: 64 * mib, Seed: 90 + uint64(i), WriteBytesPerSecond: 10e6, ReadBytesPerSecond: 40e6}
		if c.silent && i == 0 {
			traits.SilentAfter.WrittenBytes = 12 * mib
		}
		card := seat(t, traits)
		if c.silent && i == 0 {
			silent = card
		}
		args = append(args, "--bay", fmt.Sprintf("bay%d=%s", i, card.path))
	}
	p := start(t, command{args: args})
	sound, wantCode := c.cards, 0
	if silent != nil {
		t.Cleanup(silent.Release) // or else a test that fails would wait for ever
		sound, wantCode = c.cards-1, 5
	}
	took := p.awaitFinished(t, sound)
	if silent != nil {
		silent.Release()
	}
	if err := p.cmd.Process.Signal(syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
	p.wait().expectCode(t, wantCode)
	return took
}

// awaitFinished waits until so many cards are finished, all intact, and gives the longest that one took since it was begun.
func (p *process) awaitFinished(t *testing.T, cards int) (longest time.Duration) {
	t.Helper()
	late := time.After(longestRun)
	for {
		text, more := p.stdout.next()
		if strings.Count(text, `"event":"finished"`) >= cards {
			break
		}
		select {
		case <-more:
		case <-p.waited:
			t.Fatalf("the batch ended before %d cards were finished:\n%s%s", cards, text, p.stderr.text())
		case <-late:
			t.Fatalf("%d cards are not finished within %v:\n%s%s", cards, longestRun, text, p.stderr.text())
		}
	}
	begun := map[string]time.Time{}
	documents := json.NewDecoder(strings.NewReader(p.stdout.text()))
	for cards > 0 {
		var d struct {
			Event string    `json:"event"`
			At    time.Time `json:"at"`
			Bay   string    `json:"bay"`
			Run   struct {
				Verdict string `json:"verdict"`
			} `json:"run"`
		}
		if err := documents.Decode(&d); err != nil {
			t.Fatal(err)
		}
		switch d.Event {
		case "started":
			begun[d.Bay] = d.At
		case "finished":
			cards--
			longest = max(longest, d.At.Sub(begun[d.Bay]))
			if d.Run.Verdict != "intact" {
				t.Errorf("the card in %s is %s", d.Bay, d.Run.Verdict)
			}
		}
	}
	return longest
}
