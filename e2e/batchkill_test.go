//go:build device

package e2e_test

import (
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"cardwright/internal/cardlab"
)

// A restart is a stack that is worked through by a program that is killed again and again: the hands and the cards stay.
type restart struct {
	t     *testing.T
	stack stack
	bays  []*bay
	in    map[string]*seated // by the bay's name
	cards []*seated          // all that ever were seated
	done  map[*seated]string // their labels; empty where the program died before it told
	fuse  fuse
}

// A fuse is lit by a number of operations on cards.
type fuse struct {
	mu   sync.Mutex // guards all below
	left int
	lit  chan struct{} // closed with the last of them; nil where it is not laid
}

// lay gives a channel that is closed once so many operations more reached the cards.
func (f *fuse) lay(operations int) <-chan struct{} {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.left, f.lit = operations, make(chan struct{})
	return f.lit
}

func (f *fuse) burn(cardlab.Op) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.left--; f.left == 0 && f.lit != nil {
		close(f.lit)
		f.lit = nil
	}
	return false
}

// TestKilledBatchGoesOn kills the program, which can tidy up nothing, at eight seeded moments, and gives the same command each
// time. In the end every row is on one card, no number was given twice, and no card shows a table before a body that is not there.
func TestKilledBatchGoesOn(t *testing.T) {
	const rows, kills = 10, 8
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	s, image := smallStack(t)
	labels := filepath.Join(t.TempDir(), "row.csv")
	sheet := "label\n"
	for n := range rows {
		sheet += fmt.Sprintf("row-%d\n", n)
	}
	writeFile(t, labels, []byte(sheet))
	r := &restart{t: t, stack: s, bays: []*bay{bayNamed(t, "left"), bayNamed(t, "right")}, in: map[string]*seated{}, done: map[*seated]string{}}
	struck := 0
	for i := range kills {
		b := s.begin(t, r.bays, "--labels", labels)
		lit, late := r.fuse.lay(1+random.IntN(160)), time.After(longestRun)
		if i%4 == 3 { // also while nothing reaches the cards
			late = time.After(time.Duration(random.IntN(700)) * time.Millisecond)
		}
		killed := make(chan struct{})
		go func() { // ends with the program at the latest; awaited below
			defer close(killed)
			select {
			case <-lit:
			case <-late:
			case <-b.waited:
			}
			_ = b.cmd.Process.Signal(syscall.SIGKILL) // fails where the program has ended
		}()
		r.work(b)
		<-killed
		if b.wait().endedBySignal {
			struck++
		}
	}
	b := s.begin(t, r.bays, "--labels", labels)
	ended := r.work(b)
	b.wait().expectCode(t, 0)
	if struck < kills-2 {
		t.Errorf("only %d of %d kills came before the program's own end", struck, kills)
	}
	if ended.Totals == nil || ended.Totals.DoneBefore+ended.Totals.Intact != rows || len(r.done) != rows {
		t.Errorf("%d cards are done, want %d; the totals are %+v", len(r.done), rows, ended.Totals)
	}
	r.expectRowsOnce(rows)
	for _, card := range r.cards {
		whole := string(card.Truth().Read(0, len(image))) == string(image)
		_, done := r.done[card]
		if headed := string(card.Truth().Read(0, 512)) == string(image[:512]); headed != whole || whole != done {
			t.Errorf("a card has its head: %v; it is whole: %v; it is done: %v", headed, whole, done)
		}
	}
	t.Logf("MEASURED %d kills before the program's own end; %d cards for %d rows", struck, len(r.cards), rows)
}

// work has hands react to a program's events until it ends, and gives the last one.
func (r *restart) work(b *batching) (last eventDoc) {
	r.t.Helper()
	for e := range b.events() {
		last = e
		for _, y := range r.bays {
			switch {
			case e.Event == "begun" && r.in[y.name] == nil:
				r.seatNew(y)
			case e.Bay == y.name && e.Event == "held" && strings.Contains(strings.Join(e.Reasons, " "), "done already"):
				r.putAside(y, "")
			case e.Bay == y.name && e.Event == "held": // half-written: seated again, it may be overwritten
				y.pull(r.t)
				y.seat(r.t, r.in[y.name])
			case e.Bay == y.name && e.Event == "finished":
				if e.Run.Verdict != "intact" {
					r.t.Errorf("a card is told as %s, %+v", e.Run.Verdict, e.Run.Error)
				}
				r.putAside(y, e.Run.Label)
			}
		}
	}
	return last
}

// putAside takes out a card that is done and seats a new one.
func (r *restart) putAside(y *bay, label string) {
	r.t.Helper()
	y.pull(r.t)
	r.done[r.in[y.name]] = label
	r.seatNew(y)
}

func (r *restart) seatNew(y *bay) {
	r.t.Helper()
	card := small(r.t, cardlab.Traits{})
	card.meets(r.fuse.burn)
	r.in[y.name], r.cards = card, append(r.cards, card)
	y.seat(r.t, card)
}

// expectRowsOnce asks the logbook for the rows and numbers, and holds the labels that were told against each other.
func (r *restart) expectRowsOnce(rows int) {
	r.t.Helper()
	numbers, intact := map[int64]bool{}, map[string]bool{}
	for _, run := range r.stack.runs(r.t) {
		if numbers[run.Number] || run.Number == 0 {
			r.t.Errorf("the number %d was given twice", run.Number)
		}
		numbers[run.Number] = true
		if run.Verdict == "intact" {
			intact[run.Label] = true
		}
	}
	if len(intact) != rows {
		r.t.Errorf("the logbook has %d labels on intact cards, want %d", len(intact), rows)
	}
	told := map[string]bool{}
	for _, label := range r.done {
		if label != "" && told[label] {
			r.t.Errorf("the label %s is on two cards", label)
		}
		told[label] = true
	}
}
