package logbook_test

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"

	"cardwright/flash"
	"cardwright/internal/logbook"
	"cardwright/verify"
)

// openBatch opens a batch and closes it with the test.
func openBatch(t *testing.T, book *logbook.Book, o logbook.BatchOptions) *logbook.Batch {
	t.Helper()
	batch, err := book.OpenBatch(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { closeAll(t, batch) })
	return batch
}

// give gives a turn and wants it to have this number.
func give(t *testing.T, batch *logbook.Batch, label string, number int64) {
	t.Helper()
	if label == "" {
		label = fmt.Sprintf("stack-%03d", number)
	}
	want := logbook.Turn{Number: number, Label: label, State: logbook.TurnGiven}
	if got, err := batch.Give(t.Context(), label); err != nil || got != want {
		t.Fatalf("got %+v, %v, want %+v", got, err, want)
	}
}

// settle settles a turn.
func settle(t *testing.T, batch *logbook.Batch, number, runID int64, done bool) {
	t.Helper()
	if err := batch.Settle(t.Context(), number, runID, done); err != nil {
		t.Fatal(err)
	}
}

// expectTurns wants a batch to have these turns.
func expectTurns(t *testing.T, batch *logbook.Batch, want ...logbook.Turn) {
	t.Helper()
	got, err := batch.Turns(t.Context())
	if diff := cmp.Diff(want, got); diff != "" || err != nil {
		t.Errorf("turns: %v (-want +got):\n%s", err, diff)
	}
}

// batchRun is a run of a batch's turn before its first write.
func batchRun(batch *logbook.Batch, number int64, label, cid string) *logbook.Run {
	run := flashRun(label, cid)
	run.BatchID, run.Number = batch.ID(), number
	return run
}

func TestBatchGoesOnWhereItWasLeft(t *testing.T) {
	path := bookPath(t)
	book := open(t, path)
	batch := openBatch(t, book, stack(false))
	give(t, batch, "a", 1)
	give(t, batch, "b", 2)
	give(t, batch, "c", 3)
	give(t, batch, "", 4)
	settle(t, batch, 1, 0, true)
	settle(t, batch, 2, 0, false)
	closeAll(t, batch, book)

	next := openBatch(t, open(t, path), stack(false))
	if next.ID() != batch.ID() {
		t.Errorf("another batch was begun")
	}
	expectTurns(t, next,
		logbook.Turn{Number: 1, Label: "a", State: logbook.TurnDone},
		logbook.Turn{Number: 2, Label: "b", State: logbook.TurnReturned},
		logbook.Turn{Number: 3, Label: "c", State: logbook.TurnReturned}, // left given
		logbook.Turn{Number: 4, Label: "stack-004", State: logbook.TurnReturned})
	give(t, next, "c", 5)
}

// A number counts all cards of a name, whichever batch and image they were of.
func TestNumbersGoOnThroughAllBatchesOfAName(t *testing.T) {
	book := open(t, bookPath(t))
	first := openBatch(t, book, stack(false))
	give(t, first, "a", 1)
	settle(t, first, 1, 0, true)
	give(t, first, "b", 2)
	closeAll(t, first)
	other := openBatch(t, book, logbook.BatchOptions{Name: "other", ImageSHA256: digest("x")})
	give(t, other, "a", 1)

	anew := openBatch(t, book, stack(true))
	expectTurns(t, anew)
	give(t, anew, "a", 3) // labels begin anew, numbers do not
	closeAll(t, anew)
	ofOtherImage := logbook.BatchOptions{Name: "stack", ImageSHA256: digest("y")}
	if _, err := book.OpenBatch(t.Context(), ofOtherImage); !errors.Is(err, logbook.ErrOtherImage) {
		t.Errorf("going on with another image: %v", err)
	}
	ofOtherImage.Anew = true
	otherImage := openBatch(t, book, ofOtherImage)
	give(t, otherImage, "a", 4)
	closeAll(t, otherImage)
	ofOtherImage.Anew = false
	goneOn := openBatch(t, book, ofOtherImage)
	give(t, goneOn, "a", 5)
	give(t, other, "b", 2)
	if ids := []int64{first.ID(), other.ID(), anew.ID(), otherImage.ID(), goneOn.ID()}; !cmp.Equal(ids, []int64{1, 2, 3, 4, 4}) {
		t.Errorf("the batches have the numbers %v", ids)
	}
}

func TestBatchNeedsANameAndAnImage(t *testing.T) {
	book := open(t, bookPath(t))
	for _, o := range []logbook.BatchOptions{{Name: "x"}, {ImageSHA256: digest("x")}} {
		if _, err := book.OpenBatch(t.Context(), o); err == nil {
			t.Errorf("%+v was opened", o)
		}
	}
}

func TestLabelIsOnOneCardOfABatch(t *testing.T) {
	book := open(t, bookPath(t))
	batch := openBatch(t, book, stack(false))
	taken := func(label string) {
		t.Helper()
		if turn, err := batch.Give(t.Context(), label); !errors.Is(err, logbook.ErrLabelTaken) || turn != (logbook.Turn{}) {
			t.Errorf("%s was given: %+v, %v", label, turn, err)
		}
	}
	give(t, batch, "a", 1)
	taken("a") // on its way
	settle(t, batch, 1, 0, false)
	give(t, batch, "a", 2) // given back, the number not; and what was refused took none
	settle(t, batch, 2, 0, true)
	taken("a") // done
	give(t, batch, "", 3)
	give(t, batch, "", 4) // no label is no row
}

func TestTurnIsSettledOnceAndByItsOwnRun(t *testing.T) {
	book := open(t, bookPath(t))
	batch := openBatch(t, book, stack(false))
	other := openBatch(t, book, logbook.BatchOptions{Name: "other", ImageSHA256: digest("x")})
	damagedRun, ofOther := batchRun(batch, 1, "a", ""), batchRun(other, 1, "a", "")
	begin(t, book, damagedRun)
	finishDamaged(t, book, damagedRun)
	record(t, book, ofOther, "x", nil)
	plain := flashRun("a", "")
	record(t, book, plain, "x", nil)
	open := batchRun(batch, 2, "b", "")
	begin(t, book, open)

	give(t, batch, "a", 1)
	give(t, batch, "b", 2)
	expect := func(what string, err, kind error) {
		t.Helper()
		if !errors.Is(err, kind) {
			t.Errorf("%s: got %v, want %v", what, err, kind)
		}
	}
	expect("a damaged card as done", batch.Settle(t.Context(), 1, damagedRun.RunID, true), logbook.ErrUnproven)
	expect("a run of another batch", batch.Settle(t.Context(), 1, ofOther.RunID, false), logbook.ErrNotFound)
	expect("a run of no batch", batch.Settle(t.Context(), 1, plain.RunID, true), logbook.ErrNotFound)
	expect("a run that is not there", batch.Settle(t.Context(), 1, 99, true), logbook.ErrNotFound)
	expect("a turn that is not there", batch.Settle(t.Context(), 7, 0, true), logbook.ErrNoTurn)
	settle(t, batch, 1, damagedRun.RunID, false)
	expect("a turn that was settled", batch.Settle(t.Context(), 1, 0, true), logbook.ErrNoTurn)
	settle(t, batch, 2, open.RunID, true) // its end could not be recorded, but the card is what the operator was told
	expectTurns(t, batch,
		logbook.Turn{Number: 1, Label: "a", State: logbook.TurnReturned, RunID: damagedRun.RunID},
		logbook.Turn{Number: 2, Label: "b", State: logbook.TurnDone, RunID: open.RunID})
}

// begin opens a run's record, and finishDamaged closes it as damaged.
func begin(t *testing.T, book *logbook.Book, run *logbook.Run) {
	t.Helper()
	if err := book.Begin(t.Context(), run, begunImage("x")); err != nil {
		t.Fatal(err)
	}
}

// A program that dies between the end of a card's run and its turn's settling has proven the card all the same: its label is on it,
// and on no other.
func TestIntactCardOfADeadProgramIsDone(t *testing.T) {
	path := bookPath(t)
	book := open(t, path)
	batch := openBatch(t, book, stack(false))
	give(t, batch, "a", 1)
	give(t, batch, "b", 2)
	give(t, batch, "c", 3)
	intact, damaged := batchRun(batch, 1, "a", ""), batchRun(batch, 2, "b", "")
	begin(t, book, intact)
	finishIntact(t, book, intact, 1)
	begin(t, book, damaged)
	finishDamaged(t, book, damaged)
	begin(t, book, batchRun(batch, 3, "c", ""))
	closeAll(t, batch, book)

	book = open(t, path)
	batch = openBatch(t, book, stack(false))
	expectTurns(t, batch,
		logbook.Turn{Number: 1, Label: "a", State: logbook.TurnDone, RunID: intact.RunID},
		logbook.Turn{Number: 2, Label: "b", State: logbook.TurnReturned},
		logbook.Turn{Number: 3, Label: "c", State: logbook.TurnReturned})
	if got := mustList(t, book, logbook.Filter{Label: "a"}); len(got) != 1 || got[0].RunID != intact.RunID {
		t.Errorf("the label is on %d runs", len(got))
	}
	if _, err := batch.Give(t.Context(), "a"); !errors.Is(err, logbook.ErrLabelTaken) {
		t.Errorf("the label was given again: %v", err)
	}
}

func finishDamaged(t *testing.T, book *logbook.Book, run *logbook.Run) {
	t.Helper()
	ended(run)
	run.Verdict, run.Proof.Damage = logbook.Damaged, []verify.Damage{{LengthBytes: 4 << 20, Kind: verify.KindZeros}}
	if err := book.Finish(t.Context(), run, endedImage("x"), trace(9)); err != nil {
		t.Fatal(err)
	}
}

// Bays that ask side by side get numbers of their own.
func TestBaysGetNumbersOfTheirOwn(t *testing.T) {
	const bays, cards = 8, 12
	batch := openBatch(t, open(t, bookPath(t)), stack(false))
	var working sync.WaitGroup
	for bay := range bays {
		working.Go(func() { // ends with its cards
			for card := range cards {
				turn, err := batch.Give(t.Context(), fmt.Sprintf("%d-%d", bay, card))
				if err == nil {
					err = batch.Settle(t.Context(), turn.Number, 0, card%2 == 0)
				}
				if err != nil {
					t.Error(err)
				}
			}
		})
	}
	working.Wait()
	turns, err := batch.Turns(t.Context())
	if err != nil || len(turns) != bays*cards || turns[0].Number != 1 || turns[len(turns)-1].Number != bays*cards {
		t.Errorf("%d turns, %v", len(turns), err)
	}
}

// What power loss would leave when a number was told is enough to give the next one.
func TestNumberIsOnDiskBeforeItIsGiven(t *testing.T) {
	path := bookPath(t)
	batch := openBatch(t, open(t, path), stack(false))
	for number := int64(1); number <= 5; number++ {
		give(t, batch, "", number)
		cut := filepath.Join(t.TempDir(), fmt.Sprint(number), "logbook.db")
		if err := os.Mkdir(filepath.Dir(cut), 0o755); err != nil {
			t.Fatal(err)
		}
		copyAs(t, path, cut)
		copyAs(t, path+"-wal", cut+"-wal")
		give(t, openBatch(t, open(t, cut), stack(false)), "", number+1)
		checkIntegrity(t, cut)
	}
}

// A card that comes to nothing in a batch has no label stuck on: the one that it should have got is the next card's, and the
// failed run is no part of that card's history.
func TestFailedCardLeavesItsLabelToTheNext(t *testing.T) {
	for name, fail := range map[string]func(*testing.T, *logbook.Book, *logbook.Run){
		"damaged":     finishDamaged,
		"cut off":     func(*testing.T, *logbook.Book, *logbook.Run) {},
		"not labeled": func(t *testing.T, book *logbook.Book, run *logbook.Run) { finishIntact(t, book, run, 9) },
	} {
		for _, registers := range [][2]string{{"", ""}, {cid("CARDA", 0x10, 1), cid("CARDA", 0x10, 2)}, {cid("CARDA", 0x10, 1), ""}} {
			t.Run(fmt.Sprint(name, registers), func(t *testing.T) {
				book := open(t, bookPath(t))
				batch := openBatch(t, book, stack(false))
				give(t, batch, "attic-07", 1)
				failed := batchRun(batch, 1, "attic-07", registers[0])
				begin(t, book, failed)
				fail(t, book, failed)
				settle(t, batch, 1, failed.RunID, false)
				give(t, batch, "attic-07", 2)
				good := batchRun(batch, 2, "attic-07", registers[1])
				begin(t, book, good)
				if good.CardID == failed.CardID {
					t.Error("the next card is taken for the failed one")
				}
				finishIntact(t, book, good, 3)
				settle(t, batch, 2, good.RunID, true)

				history := mustList(t, book, logbook.Filter{Label: "attic-07"})
				if len(history) != 1 || history[0].RunID != good.RunID {
					t.Errorf("the card's history is %+v", history)
				}
				if got, err := book.Show(t.Context(), failed.RunID); err != nil || got.Label != "attic-07" || got.Number != 1 {
					t.Errorf("the failed run is recorded as %+v, %v", got, err)
				}
				again := flashRun("attic-07", "")
				begin(t, book, again)
				if again.CardID != good.CardID {
					t.Errorf("by its label card %d is found, want %d", again.CardID, good.CardID)
				}
				expectPeersOfAnother(t, book, failed, good, registers, name)
			})
		}
	}
}

// expectPeersOfAnother asks for the peers of a card that was never met: the labelled card, and one that its CID makes known.
func expectPeersOfAnother(t *testing.T, book *logbook.Book, failed, good *logbook.Run, registers [2]string, name string) {
	t.Helper()
	peers, err := book.Peers(t.Context(), flashRun("another", ""), begunImage("x"))
	if err != nil {
		t.Fatal(err)
	}
	want := [][]flash.Sample{trace(3)}
	if registers[0] != "" && name == "not labeled" {
		want = append(want, trace(9))
	}
	if diff := cmp.Diff(want, peers); diff != "" {
		t.Errorf("peers after the runs %d and %d (-want +got):\n%s", failed.RunID, good.RunID, diff)
	}
}

// finishIntact closes a run as intact, with a trace that n tells from others.
func finishIntact(t *testing.T, book *logbook.Book, run *logbook.Run, n int) {
	t.Helper()
	if err := book.Finish(t.Context(), ended(run), endedImage("x"), trace(n)); err != nil {
		t.Fatal(err)
	}
}

// A card that is known by its CID keeps the label that is on it until the turn is done.
func TestKnownCardKeepsItsLabelUntilItsTurnIsDone(t *testing.T) {
	book := open(t, bookPath(t))
	register := cid("CARDA", 0x10, 1)
	before := flashRun("old", register)
	record(t, book, before, "x", nil)
	batch := openBatch(t, book, stack(false))
	give(t, batch, "new", 1)
	run := batchRun(batch, 1, "new", register)
	record(t, book, run, "x", nil)
	if run.CardID != before.CardID || len(mustList(t, book, logbook.Filter{Label: "old"})) != 2 {
		t.Errorf("card %d is met as %d; its label did not stay", before.CardID, run.CardID)
	}
	settle(t, batch, 1, run.RunID, true)
	if got := mustList(t, book, logbook.Filter{Label: "new"}); len(got) != 2 {
		t.Errorf("under its new label the card has %d runs", len(got))
	}
	give(t, batch, "", 2)
	settle(t, batch, 2, run.RunID, true)
	if got := mustList(t, book, logbook.Filter{Label: "stack-002"}); len(got) != 2 {
		t.Errorf("under the label that its number made the card has %d runs", len(got))
	}
}
