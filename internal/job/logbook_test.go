package job_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
	"cardwright/partition"
	"cardwright/verify"
)

// A busyCard does something once, when it is first flushed: its record was opened before, and is not closed yet.
type busyCard struct {
	*cardlab.Card
	once sync.Once
	do   func()
}

func (b *busyCard) Flush() error {
	b.once.Do(b.do)
	return b.Card.Flush()
}

// A failingBook is a logbook that fails from one moment on.
type failingBook struct {
	options job.Options
	during  func()   // when the record was opened; nil for nothing
	isOpen  bool     // the record's opening succeeds
	codes   []string // what the run then finds beside what it would have
}

// newLogbook opens a new logbook and closes it with the test.
func newLogbook(t *testing.T) (book *logbook.Book, path string) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "logbook.db")
	book, err := logbook.Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { book.Close() }) // some are closed before, some have lost their file
	return book, path
}

// failings are ways in which a logbook fails.
func failings() map[string]func(t *testing.T) failingBook {
	notRecorded := []string{"not-recorded"}
	moved := func(t *testing.T, path string) {
		t.Helper()
		if err := os.Rename(path, path+".away"); err != nil {
			t.Error(err)
		}
	}
	return map[string]func(t *testing.T) failingBook{
		"none could be opened": func(*testing.T) failingBook {
			return failingBook{options: job.Options{Unrecorded: errors.New("logbook away: no room")}, codes: notRecorded}
		},
		"closed before the start": func(t *testing.T) failingBook {
			book, _ := newLogbook(t)
			book.Close()
			return failingBook{options: job.Options{Book: book}, codes: notRecorded}
		},
		"for reading only": func(t *testing.T) failingBook {
			_, path := newLogbook(t)
			book, err := logbook.OpenReadOnly(t.Context(), path)
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { book.Close() })
			return failingBook{options: job.Options{Book: book}, codes: notRecorded}
		},
		"moved before the start": func(t *testing.T) failingBook {
			book, path := newLogbook(t)
			moved(t, path)
			return failingBook{options: job.Options{Book: book}, codes: notRecorded}
		},
		"damaged before the start": func(t *testing.T) failingBook {
			return failingBook{options: job.Options{Book: brokenLogbook(t)}, codes: notRecorded}
		},
		"closed while a card is written": func(t *testing.T) failingBook {
			book, _ := newLogbook(t)
			return failingBook{job.Options{Book: book}, func() { book.Close() }, true, []string{"peers-unknown", "not-recorded"}}
		},
		"moved while a card is written": func(t *testing.T) failingBook {
			book, path := newLogbook(t)
			return failingBook{job.Options{Book: book}, func() { moved(t, path) }, true, notRecorded}
		},
	}
}

// brokenLogbook gives a logbook in which every page is noise but those that say which tables it has.
func brokenLogbook(t *testing.T) *logbook.Book {
	t.Helper()
	book, path := newLogbook(t)
	if err := book.Close(); err != nil {
		t.Fatal(err)
	}
	held, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var broken *logbook.Book
	for page := pageBytes; page < len(held); page += pageBytes {
		sound := bytes.Clone(held[page : page+pageBytes])
		// A table's page begins with 0d, 05, 0a or 02 (SQLite file format, "B-tree Pages").
		copy(held[page:], bytes.Repeat([]byte{0xa5}, pageBytes))
		if err := os.WriteFile(path, held, 0o600); err != nil {
			t.Fatal(err)
		}
		opened, err := logbook.Open(t.Context(), path)
		if err != nil { // the page says which tables there are
			copy(held[page:], sound)
			continue
		}
		if broken != nil {
			broken.Close()
		}
		broken = opened
	}
	if broken == nil {
		t.Fatal("no damage leaves the logbook open")
	}
	t.Cleanup(func() { broken.Close() })
	return broken
}

// pageBytes is how long SQLite's pages are where nothing else was asked for.
const pageBytes = 4096

// Whatever befalls the logbook, and whatever befalls the card: the run ends as it would have, but for saying that it is not
// recorded.
func TestLogbookThatFailsChangesNothingButThatTheRunIsNotRecorded(t *testing.T) {
	cards := map[string]cardlab.Traits{
		"a sound card":      {},
		"a damaged card":    {Flips: []cardlab.Flip{{OffsetBytes: 20 * mib, Mask: 1}}},
		"a card that fails": {Bad: []cardlab.BadRange{{Span: cardlab.Span{OffsetBytes: 20 * mib, LengthBytes: 512}, Write: true}}},
	}
	verdicts := map[logbook.Verdict]int{}
	situations := 0
	for cardName, traits := range cards {
		want, _ := flashOne(t, orchardImage(), traits)
		for bookName, fail := range failings() {
			t.Run(cardName+", a logbook that is "+bookName, func(t *testing.T) {
				f := fail(t)
				to, card := target(t, traits)
				if f.during != nil {
					to.Card = &busyCard{Card: card, do: f.during}
				}
				got := job.Flash(t.Context(), held(orchardImage()), []job.Target{to}, f.options).Cards[0]
				if got.Verdict != want.Verdict || got.Pace != want.Pace || (got.RunID != 0) != f.isOpen {
					t.Errorf("%s, %s, run %d; want %s, %s", got.Verdict, got.Pace, got.RunID, want.Verdict, want.Pace)
				}
				if diff := cmp.Diff(want.Error, got.Error); diff != "" {
					t.Errorf("the error differs (-want +got):\n%s", diff)
				}
				if diff := cmp.Diff(damageOf(want), damageOf(&got)); diff != "" {
					t.Errorf("the damage differs (-want +got):\n%s", diff)
				}
				if diff := cmp.Diff(append(codesOf(want.Findings), f.codes...), codesOf(got.Findings)); diff != "" {
					t.Errorf("the findings differ (-want +got):\n%s", diff)
				}
				if headIsClear(card) == (got.Verdict == logbook.Intact) {
					t.Error("the card's head does not go with its verdict")
				}
				verdicts[got.Verdict]++
				situations++
			})
		}
	}
	t.Logf("logbook faults: %d situations, verdicts %v", situations, verdicts)
	if len(verdicts) != 3 {
		t.Errorf("only the verdicts %v were met", verdicts)
	}
}

// damageOf is what a run's proof found.
func damageOf(run *logbook.Run) []verify.Damage {
	if run.Proof == nil {
		return nil
	}
	return run.Proof.Damage
}

// codesOf lists what findings are about.
func codesOf(findings []partition.Finding) (codes []string) {
	for _, finding := range findings {
		codes = append(codes, finding.Code)
	}
	return codes
}

// A run whose record could not be closed reads as unfinished later, although its report said intact: never the other way round.
func TestRunThatCouldNotBeClosedStaysOpen(t *testing.T) {
	book, path := newLogbook(t)
	to, card := target(t, cardlab.Traits{})
	to.Label = "gate"
	to.Card = &busyCard{Card: card, do: func() { book.Close() }}
	run := job.Flash(t.Context(), held(orchardImage()), []job.Target{to}, job.Options{Book: book}).Cards[0]
	if run.Verdict != logbook.Intact || run.RunID == 0 || !told(run.Findings, "not-recorded") {
		t.Fatalf("%s, run %d, %+v", run.Verdict, run.RunID, run.Findings)
	}
	again, err := logbook.Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	if got, err := again.Show(t.Context(), run.RunID); err != nil || got.Verdict != logbook.Unfinished || got.Label != "gate" {
		t.Errorf("%+v, %v", got, err)
	}
}

// Each card of a job says that it was not recorded, and where.
func TestEveryCardSaysThatItIsNotRecorded(t *testing.T) {
	book, path := newLogbook(t)
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	one, _ := target(t, cardlab.Traits{})
	two, _ := target(t, cardlab.Traits{})
	for i, run := range job.Flash(t.Context(), held(orchardImage()), []job.Target{one, two}, job.Options{Book: book}).Cards {
		if run.Verdict != logbook.Intact || len(run.Findings) != 1 || !strings.Contains(run.Findings[0].Evidence, path) {
			t.Errorf("card %d: %s, %+v", i, run.Verdict, run.Findings)
		}
	}
}

// A check's proof stands as well without a logbook.
func TestCheckWithoutALogbookIsNotRecordedAndStands(t *testing.T) {
	image := orchardImage()
	to, _ := target(t, cardlab.Traits{})
	if run := job.Flash(t.Context(), held(image), []job.Target{to}, job.Options{}).Cards[0]; run.Verdict != logbook.Intact {
		t.Fatalf("%+v", run)
	}
	for name, fail := range failings() {
		f := fail(t)
		if f.during != nil {
			continue // a check never flushes
		}
		run := job.Check(t.Context(), held(image), to, f.options).Cards[0]
		if run.Verdict != logbook.Intact || run.RunID != 0 || !told(run.Findings, "not-recorded") {
			t.Errorf("%s: %s, run %d, %+v", name, run.Verdict, run.RunID, run.Findings)
		}
	}
}

// Where the peers' traces cannot be read, the pace stays unjudged, the run says why, and it is recorded all the same.
func TestPeersThatCannotBeReadLeaveTheRunRecorded(t *testing.T) {
	book, path := newLogbook(t)
	image := held(orchardImage())
	peer := &logbook.Run{
		Device: "lab", Label: "peer", Operation: logbook.OperationFlash, StartedAt: time.Now(), Verdict: logbook.Intact,
		Proof: &verify.Proof{},
	}
	trace := make([]flash.Sample, 5000)
	for i := range trace {
		trace[i] = flash.Sample{OffsetBytes: int64(i) * block, LengthBytes: block, Busy: time.Second}
	}
	facts := image.Facts()
	err := errors.Join(book.Begin(t.Context(), peer, facts), book.Finish(t.Context(), peer, facts, trace), book.Close())
	if err != nil {
		t.Fatal(err)
	}
	spoilTrace(t, path)
	book, err = logbook.Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	to, _ := target(t, cardlab.Traits{})
	to.Label = "gate"
	run := job.Flash(t.Context(), image, []job.Target{to}, job.Options{Book: book}).Cards[0]
	if run.Verdict != logbook.Intact || run.Pace != flash.PaceUnjudged || run.Error != nil || len(run.Findings) != 1 ||
		!told(run.Findings, "peers-unknown") || !strings.Contains(run.Findings[0].Evidence, path) {
		t.Errorf("%s, %s, %+v, %+v", run.Verdict, run.Pace, run.Error, run.Findings)
	}
	if got, err := book.Show(t.Context(), run.RunID); err != nil || got.Verdict != logbook.Intact {
		t.Errorf("recorded as %+v, %v", got, err)
	}
}

// spoilTrace makes noise of one page in the middle of the traces. Those pages are the fullest leaves of an index: they begin with
// 0a, and the number of their cells stands at 3 (SQLite file format, "B-tree Pages").
func spoilTrace(t *testing.T, path string) {
	t.Helper()
	content, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var leaves []int
	for offset := 0; offset < len(content); offset += pageBytes {
		if content[offset] == 0x0a && binary.BigEndian.Uint16(content[offset+3:]) > 100 {
			leaves = append(leaves, offset)
		}
	}
	if len(leaves) < 10 {
		t.Fatalf("only %d pages of traces", len(leaves))
	}
	spoilt := content[leaves[len(leaves)/2]:][:pageBytes]
	copy(spoilt, bytes.Repeat([]byte{0xa5}, pageBytes))
	if err := os.WriteFile(path, content, 0o600); err != nil {
		t.Fatal(err)
	}
}
