package logbook_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"cardwright/internal/logbook"
)

// stack is the batch that the programs below work on, one after the other.
func stack(anew bool) logbook.BatchOptions {
	return logbook.BatchOptions{Name: "stack", ImageSHA256: digest("x"), Anew: anew}
}

// A toldTurn is a turn as a killed program told it last.
type toldTurn struct {
	batchID int64
	label   string
	state   logbook.TurnState
}

// playTurns gives and settles turns until it is killed, and tells each that Give and Settle returned for. It takes the first row
// that is free, leaves every fifth turn given, and begins the batch anew now and then.
func playTurns(ctx context.Context, path string) error {
	book, err := logbook.Open(ctx, path)
	if err != nil {
		return err
	}
	defer book.Close()
	batch, err := book.OpenBatch(ctx, stack(os.Getpid()%3 == 0))
	if err != nil {
		return err
	}
	turns, err := batch.Turns(ctx)
	if err != nil {
		return err
	}
	taken := map[string]bool{}
	for _, turn := range turns {
		taken[turn.Label] = turn.State != logbook.TurnReturned || taken[turn.Label]
	}
	for row := 0; ; row++ {
		label := fmt.Sprint("row-", row)
		if taken[label] {
			continue
		}
		turn, err := batch.Give(ctx, label)
		if err != nil {
			return err
		}
		fmt.Println(turn.Number, batch.ID(), turn.Label, turn.State)
		if turn.Number%5 == 0 {
			continue
		}
		state := logbook.TurnDone
		if turn.Number%2 == 0 {
			state, row = logbook.TurnReturned, row-1
		}
		if err := batch.Settle(ctx, turn.Number, 0, state == logbook.TurnDone); err != nil {
			return err
		}
		fmt.Println(turn.Number, batch.ID(), turn.Label, state)
	}
}

// storedTurns reads the turns of all batches past the logbook, by number, and wants the numbers to be those from 1 on.
func storedTurns(t *testing.T, path string) map[int64]toldTurn {
	t.Helper()
	rows, err := openPlain(t, path).QueryContext(t.Context(),
		`SELECT number, batch_id, label, state FROM turns ORDER BY number`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	turns := map[int64]toldTurn{}
	for want := int64(1); rows.Next(); want++ {
		var number int64
		var turn toldTurn
		if err := rows.Scan(&number, &turn.batchID, &turn.label, &turn.state); err != nil {
			t.Fatal(err)
		}
		if number != want {
			t.Fatalf("number %d stands where %d should", number, want)
		}
		turns[number] = turn
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return turns
}

// expectTold wants every turn that was told to be there as it was told last, or a step further, and no row to be on two cards.
func expectTold(t *testing.T, told, stored map[int64]toldTurn) {
	t.Helper()
	for number, was := range told {
		is := stored[number]
		if was.batchID != is.batchID || was.label != is.label || was.state != is.state && was.state != logbook.TurnGiven {
			t.Errorf("turn %d was told as %+v, and is %+v", number, was, is)
		}
	}
	done := map[toldTurn]int64{}
	for number, turn := range stored {
		if turn.state == logbook.TurnDone {
			if other := done[turn]; other != 0 {
				t.Errorf("%s is on the cards %d and %d of one batch", turn.label, other, number)
			}
			done[turn] = number
		}
		if turn.state == logbook.TurnGiven {
			t.Errorf("turn %d is still given", number)
		}
	}
}

// A program that is killed at any moment while it gives turns has given no number that is given again, and left none out; what it
// had told of a turn holds, and what it left given is returned.
func TestKilledAtAnyMomentGivesNoNumberTwice(t *testing.T) {
	const kills = 30
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	path := bookPath(t)
	told := map[int64]toldTurn{}
	batches := map[int64]bool{}
	givenTwice, hitGiven, untold := 0, 0, 0
	for range kills {
		given := map[int64]bool{}
		cmd := actor(t, "give turns", path)
		for _, line := range linesUntilKilled(t, cmd, random.IntN(20), time.Duration(random.IntN(8000))*time.Microsecond) {
			var number int64
			var turn toldTurn
			if _, err := fmt.Sscan(line, &number, &turn.batchID, &turn.label, &turn.state); err != nil {
				t.Fatalf("%q: %v", line, err)
			}
			if _, before := told[number]; before && turn.state == logbook.TurnGiven {
				givenTwice++
			}
			told[number], batches[turn.batchID] = turn, true
			given[number] = turn.state == logbook.TurnGiven && number%5 != 0
		}
		book, err := logbook.Open(t.Context(), path)
		if err != nil {
			t.Fatal(err)
		}
		batch, err := book.OpenBatch(t.Context(), stack(false)) // the killed program does not hold it any more
		if err != nil {
			t.Fatal(err)
		}
		for _, open := range given {
			if open {
				hitGiven++
			}
		}
		stored := storedTurns(t, path)
		expectTold(t, told, stored)
		if len(stored) > len(told)+untold { // one that was on disk when the kill came before it was told
			untold++
		}
		if len(stored) != len(told)+untold {
			t.Errorf("%d turns are stored, %d were told and %d not", len(stored), len(told), untold)
		}
		closeAll(t, batch, book)
		checkIntegrity(t, path)
		if t.Failed() {
			t.FailNow()
		}
	}
	t.Logf("%d kills: %d numbers of %d batches were told, %d more stored; %d kills hit a turn between given and settled",
		kills, len(told), len(batches), untold, hitGiven)
	if givenTwice > 0 {
		t.Errorf("%d numbers were given twice", givenTwice)
	}
	if hitGiven == 0 || len(batches) < 2 {
		t.Errorf("%d kills hit a given turn, of %d batches: the test has shown nothing", hitGiven, len(batches))
	}
}

// closeAll closes each, in this order.
func closeAll(t *testing.T, all ...interface{ Close() error }) {
	t.Helper()
	for _, open := range all {
		if err := open.Close(); err != nil {
			t.Error(err)
		}
	}
}
