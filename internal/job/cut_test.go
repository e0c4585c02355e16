package job_test

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"testing"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
)

const (
	cutBytes     = block + 300_000
	cutCardBytes = 8 * mib
)

// A cut is a moment at which a card loses its power, and what of its unsynced data it loses.
type cut struct {
	afterBytes int64 // so many bytes were written; 0: before an operation
	operation  int
	seed       uint64
	keepsNone  bool // of what was not synced
}

func (c cut) String() string {
	if c.afterBytes > 0 {
		return fmt.Sprintf("cut after %d bytes, seed %d", c.afterBytes, c.seed)
	}
	return fmt.Sprintf("cut before operation %d, seed %d, keeps none %v", c.operation, c.seed, c.keepsNone)
}

// TestCut takes the power from a card at every operation of a run, with several outcomes where something was not synced, and at
// two hundred seeded places within its writes.
func TestCut(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	image := orchardImage()[:cutBytes]
	whole, changes := cardToCut(t, cut{operation: -1}), map[int]bool{}
	whole.Inject(func(op cardlab.Op) cardlab.Fault {
		changes[op.Number] = op.Kind != cardlab.OpRead
		return cardlab.FaultNone
	})
	to := job.Target{Card: whole, Device: "cut"}
	if run := job.Flash(t.Context(), held(image), []job.Target{to}, job.Options{}).Cards[0]; run.Verdict != logbook.Intact {
		t.Fatal(run.Error)
	}
	if whole.PullSynced(); !bytes.Equal(whole.Truth().Read(0, cutBytes), image) {
		t.Error("what was told as intact is gone when the card is pulled right after")
	}
	var cuts []cut
	for operation := range whole.Counts().Operations {
		cuts = append(cuts, cut{operation: operation, keepsNone: true})
		if changes[operation] { // else all was synced before
			cuts = append(cuts, cut{operation: operation, seed: random.Uint64()}, cut{operation: operation, seed: random.Uint64()})
		}
	}
	within := 200
	if testing.Short() {
		cuts, within = cuts[len(cuts)/2:], 20
	}
	for i := range within { // every other of them in the body, which lies between the clearing and the head
		at, sectors := int64(0), whole.Counts().WrittenBytes/512
		if i%2 == 0 {
			at, sectors = 2*mib, (cutBytes-block)/512
		}
		cuts = append(cuts, cut{afterBytes: at + 512*(1+random.Int64N(sectors)), seed: random.Uint64()})
	}
	book, err := logbook.Open(t.Context(), filepath.Join(t.TempDir(), "logbook.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	old := cardToCut(t, cut{operation: -1}).Truth().Read(0, cutCardBytes)
	intact := 0
	for _, c := range cuts {
		if cutOnce(t, c, image, old, book) {
			intact++
		}
		if t.Failed() {
			return
		}
	}
	t.Logf("cuts: %d at %d operations, %d within writes; on %d cards every byte had landed all the same",
		len(cuts)-within, whole.Counts().Operations, within, intact)
}

func cardToCut(t *testing.T, c cut) *cardlab.Card {
	t.Helper()
	card, err := cardlab.New(cardlab.Traits{
		SizeBytes: cutCardBytes, OldContent: true, Seed: 12, GoneAfter: cardlab.After{WrittenBytes: c.afterBytes},
	})
	if err != nil {
		t.Fatal(err)
	}
	if c.afterBytes == 0 {
		card.Inject(cardlab.FailAt(c.operation, cardlab.FaultGone))
	}
	return card
}

// cutOnce cuts one run, looks at what is left, and tells whether all of the image is.
func cutOnce(t *testing.T, c cut, image, old []byte, book *logbook.Book) (landed bool) {
	t.Helper()
	card := cardToCut(t, c)
	to := job.Target{Card: card, Device: "cut"}
	run := job.Flash(t.Context(), held(image), []job.Target{to}, job.Options{Book: book}).Cards[0]
	card.Pull(c.seed)
	if c.keepsNone {
		card.PullSynced()
	}
	left := card.Truth().Read(0, cutCardBytes)
	landed = bytes.Equal(left[:cutBytes], image)

	record, err := book.Show(t.Context(), run.RunID)
	if err != nil {
		t.Fatalf("%v: %v", c, err)
	}
	if record.Verdict != logbook.Unfinished || record.Error == nil || run.Verdict != logbook.Unfinished {
		t.Errorf("%v: the run is %s, the record %s", c, run.Verdict, record.Verdict)
	}
	if stands := bytes.Equal(left[:512], image[:512]); stands && !bytes.Equal(left[flash.LastBytes:cutBytes], image[flash.LastBytes:]) {
		t.Errorf("%v: the new partition table stands, and what follows it is not proven", c)
	}
	if begun := !bytes.Equal(left[block:cutBytes], old[block:cutBytes]); begun {
		for _, at := range []int{0, 512, cutCardBytes - 512} {
			if bytes.Equal(left[at:at+512], old[at:at+512]) {
				t.Errorf("%v: the image was begun, and the sector at %d is still the old one", c, at)
			}
		}
	}
	card.Plug()
	card.Inject(func(cardlab.Op) cardlab.Fault { return cardlab.FaultNone })
	checked := job.Check(t.Context(), held(image), to, job.Options{}).Cards[0]
	if want := map[bool]logbook.Verdict{true: logbook.Intact, false: logbook.Damaged}[landed]; checked.Verdict != want {
		t.Errorf("%v: every byte is there: %v, and the check says %s", c, landed, checked.Verdict)
	}
	return landed
}
