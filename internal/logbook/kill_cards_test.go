package logbook_test

import (
	"context"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"testing"
	"time"

	"cardwright/internal/logbook"

	"github.com/google/go-cmp/cmp"
)

// sharedLabel is on the card that several programs note facts of.
const sharedLabel = "shared"

// playNotes notes facts of a card that all programs share, three of one round at once, and opens and closes a check of it. It tells
// each that the logbook returned for.
func playNotes(ctx context.Context, path string, rounds int) error {
	book, err := logbook.Open(ctx, path)
	if err != nil {
		return err
	}
	defer book.Close()
	for round := range rounds {
		mark := fmt.Sprintf("%d-%d", os.Getpid(), round)
		card, err := book.MeetCard(ctx, sharedLabel, 1<<30, nil)
		if err != nil {
			return err
		}
		if err := book.SetFacts(ctx, card.CardID, factsOf(mark), time.Now()); err != nil {
			return err
		}
		fmt.Println("noted", mark, 0)
		check := capacityCheck(sharedLabel, 1<<30)
		if err := book.BeginCapacity(ctx, check, nil); err != nil {
			return err
		}
		fmt.Println("begun", mark, check.CheckID)
		check.Verdict, check.Document = logbook.CapacityUnreliable, fmt.Appendf(nil, `{"mark":%q}`, mark)
		if err := book.FinishCapacity(ctx, check); err != nil {
			return err
		}
		fmt.Println("closed", mark, check.CheckID)
	}
	return nil
}

// factsOf are facts that belong together.
func factsOf(mark string) map[string]string {
	return map[string]string{logbook.FactSeries: mark, logbook.FactSeller: mark, logbook.FactNote: mark}
}

// expectNoted wants what was told of the shared card to be there, and all that is there to be whole. It gives how many checks are
// open.
func expectNoted(t *testing.T, book *logbook.Book, told map[string]map[int64]string) (open int) {
	t.Helper()
	card, err := book.CardByLabel(t.Context(), sharedLabel)
	if err != nil {
		t.Fatal(err)
	}
	history, err := book.FactHistory(t.Context(), card.CardID)
	if err != nil || len(history)%3 != 0 {
		t.Fatalf("%d facts, %v", len(history), err)
	}
	noted := map[string]bool{}
	for set := range slices.Chunk(history, 3) {
		got := map[string]string{}
		for _, fact := range set {
			got[fact.Name] = fact.Value
		}
		if noted[set[0].Value] || !cmp.Equal(got, factsOf(set[0].Value)) {
			t.Errorf("facts of several rounds, or one round twice: %+v", set)
		}
		noted[set[0].Value] = true
	}
	for _, mark := range told["noted"] {
		if !noted[mark] {
			t.Errorf("%s was told as noted, and is not", mark)
		}
	}
	checks, err := book.CapacityChecks(t.Context(), card.CardID)
	if err != nil {
		t.Fatal(err)
	}
	stored := map[int64]logbook.CapacityRecord{}
	for _, check := range checks {
		stored[check.CheckID] = check
		if !check.Closed {
			open++
		}
		asBegun := string(check.Document) == `{"seed":"a"}`
		if check.Closed != (check.Verdict == logbook.CapacityUnreliable) || check.Closed == asBegun {
			t.Errorf("a check is closed by half: %+v", check)
		}
	}
	for checkID, mark := range told["begun"] {
		if stored[checkID].CheckID != checkID {
			t.Errorf("check %d of %s was told as begun, and is not there", checkID, mark)
		}
	}
	for checkID, mark := range told["closed"] {
		if string(stored[checkID].Document) != fmt.Sprintf(`{"mark":%q}`, mark) {
			t.Errorf("check %d was told as closed by %s, and is %+v", checkID, mark, stored[checkID])
		}
	}
	return open
}

// A program that is killed at any moment loses no fact and no check that it was told of, and leaves none by half.
func TestKilledAtAnyMomentKeepsFactsAndChecksWhole(t *testing.T) {
	const kills = 30
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	path := bookPath(t)
	told := map[string]map[int64]string{"noted": {}, "begun": {}, "closed": {}}
	openBefore, hitOpen := 0, 0
	for kill := range kills {
		lines, delay := 1+random.IntN(8), time.Duration(random.IntN(8000))*time.Microsecond
		if kill%2 == 0 { // right after a check was begun
			lines, delay = 2+3*random.IntN(3), 0
		}
		for _, line := range linesUntilKilled(t, actor(t, "note cards", path), lines, delay) {
			var what, mark string
			var number int64
			if _, err := fmt.Sscan(line, &what, &mark, &number); err != nil {
				t.Fatalf("%q: %v", line, err)
			}
			if what == "noted" {
				number = int64(len(told[what]))
			}
			told[what][number] = mark
		}
		book, err := logbook.Open(t.Context(), path)
		if err != nil {
			t.Fatal(err)
		}
		open := expectNoted(t, book, told)
		if open > openBefore {
			hitOpen++
		}
		if open > openBefore+1 {
			t.Errorf("one kill left %d checks open", open-openBefore)
		}
		openBefore = open
		closeAll(t, book)
		checkIntegrity(t, path)
		if t.Failed() {
			t.FailNow()
		}
	}
	t.Logf("%d kills: %d sets of facts, %d checks begun, %d closed; %d kills hit an open check", kills, len(told["noted"]),
		len(told["begun"]), len(told["closed"]), hitOpen)
	if hitOpen == 0 || len(told["closed"]) == 0 {
		t.Errorf("%d kills hit an open check, %d were closed: the test has shown nothing", hitOpen, len(told["closed"]))
	}
}

// Programs that note facts of one card at once leave out none, and none gets between the facts that another notes together.
func TestTwoProgramsNoteFactsAtOnce(t *testing.T) {
	path := bookPath(t)
	var actors []*exec.Cmd
	want := map[string]bool{}
	for range 3 { // all meet a file that is not there yet
		cmd := actor(t, "note 20 cards", path)
		cmd.Stderr = os.Stderr
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		for round := range 20 {
			want[fmt.Sprintf("%d-%d", cmd.Process.Pid, round)] = true
		}
		actors = append(actors, cmd)
	}
	for _, cmd := range actors {
		if err := cmd.Wait(); err != nil {
			t.Error(err)
		}
	}
	book := open(t, path)
	if open := expectNoted(t, book, nil); open != 0 {
		t.Errorf("%d checks are open", open)
	}
	cards, err := book.ListCards(t.Context(), logbook.CardFilter{})
	if err != nil || len(cards) != 1 {
		t.Fatalf("%d cards, %v", len(cards), err)
	}
	history, err := book.FactHistory(t.Context(), cards[0].CardID)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]bool{}
	for _, fact := range history {
		got[fact.Value] = true
	}
	if !maps.Equal(want, got) || len(history) != 3*len(want) {
		t.Errorf("%d facts (-want +got):\n%s", len(history), cmp.Diff(want, got))
	}
	checkIntegrity(t, path)
}
