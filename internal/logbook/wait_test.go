package logbook

// In the package itself: how long a change waits, and how large the file may grow, is set where no exported call reaches.

import (
	"context"
	"database/sql"
	"errors"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"cardwright/flash"
	"cardwright/flash/source"
)

// newBook opens a new logbook.
func newBook(t *testing.T) (book *Book, path string) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "logbook.db")
	book, err := Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := book.Close(); err != nil {
			t.Error(err)
		}
	})
	return book, path
}

// lock takes the right to write to the file through another connection, as another program would, and gives it back.
func lock(t *testing.T, path string) (unlock func()) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path+"?_txlock=immediate")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	tx, err := db.BeginTx(context.Background(), nil)
	if err != nil {
		t.Fatal(err)
	}
	return sync.OnceFunc(func() {
		if err := tx.Rollback(); err != nil {
			t.Error(err)
		}
	})
}

// unproven is a run that may be closed as it is.
func unproven(label string) *Run {
	return &Run{Device: "/dev/sdb", Label: label, Operation: OperationFlash, Verdict: Unfinished}
}

// expectKind wants an error of this kind that names the file.
func expectKind(t *testing.T, what string, err, kind error, path string) {
	t.Helper()
	if !errors.Is(err, kind) || !strings.Contains(err.Error(), path) {
		t.Errorf("%s: got %v, want it to be %q and to name %s", what, err, kind, path)
	}
}

// Another program that keeps the logbook locked stops a begin and a finish, but only for as long as this one waits, and reading
// not at all. Afterwards everything goes on.
func TestLockedLogbookIsWaitedForAndThenNamed(t *testing.T) {
	book, path := newBook(t)
	begun := unproven("begun")
	if err := book.Begin(t.Context(), begun, source.Facts{}); err != nil {
		t.Fatal(err)
	}
	batch, err := book.OpenBatch(t.Context(), BatchOptions{Name: "held", ImageSHA256: "digest"})
	if err != nil {
		t.Fatal(err)
	}
	defer batch.Close()
	turn, err := batch.Give(t.Context(), "a")
	if err != nil {
		t.Fatal(err)
	}
	unlock := lock(t, path)
	defer unlock()
	book.patience = 0
	situations := map[string]func() error{
		"begin":  func() error { return book.Begin(t.Context(), unproven("late"), source.Facts{}) },
		"finish": func() error { return book.Finish(t.Context(), begun, source.Facts{}, nil) },
		"open a batch": func() error {
			_, err := book.OpenBatch(t.Context(), BatchOptions{Name: "late", ImageSHA256: "digest"})
			return err
		},
		"give":   func() error { _, err := batch.Give(t.Context(), "b"); return err },
		"settle": func() error { return batch.Settle(t.Context(), turn.Number, 0, true) },
	}
	for name, change := range situations {
		expectKind(t, name, change(), ErrBusy, path)
	}
	if _, err := book.Peers(t.Context(), begun, source.Facts{}); err != nil {
		t.Errorf("peers: %v", err)
	}
	if runs, err := book.List(t.Context(), Filter{}); err != nil || len(runs) != 1 {
		t.Errorf("%d runs, %v", len(runs), err)
	}
	if turns, err := batch.Turns(t.Context()); err != nil || len(turns) != 1 || turns[0] != turn {
		t.Errorf("the batch has %+v, %v", turns, err)
	}
	second, err := Open(t.Context(), path)
	if err != nil {
		t.Fatalf("a second program cannot open it: %v", err)
	}
	if err := second.Close(); err != nil {
		t.Error(err)
	}
	book.patience = patience
	var waiting sync.WaitGroup
	waiting.Go(func() { // ends when the lock is given back below
		if err := book.Finish(t.Context(), begun, source.Facts{}, []flash.Sample{{LengthBytes: 1}}); err != nil {
			t.Errorf("a finish that waited: %v", err)
		}
	})
	unlock()
	waiting.Wait()
	if next, err := batch.Give(t.Context(), "b"); err != nil || next.Number != turn.Number+1 {
		t.Errorf("the turn that was waited for is %+v, %v", next, err)
	}
	if samples, err := book.Trace(t.Context(), begun.RunID); err != nil || len(samples) != 1 {
		t.Errorf("the run that was waited for has %d samples, %v", len(samples), err)
	}
	t.Logf("logbook faults: %d situations", len(situations))
}

// The cards of one job wait side by side: eight of them wait no longer than one.
func TestCardsWaitForALockedLogbookTogether(t *testing.T) {
	const cards = 8
	book, path := newBook(t)
	book.patience = 3 * time.Second
	defer lock(t, path)()
	begun := time.Now()
	var waiting sync.WaitGroup
	for range cards {
		waiting.Go(func() { // ends with its begin
			expectKind(t, "begin", book.Begin(t.Context(), unproven(""), source.Facts{}), ErrBusy, path)
		})
	}
	waiting.Wait()
	if took := time.Since(begun); took < book.patience || took > 2*book.patience {
		t.Errorf("%d cards waited %v for a patience of %v", cards, took, book.patience)
	}
}

// An interrupt ends the waiting.
func TestInterruptEndsTheWaitForALockedLogbook(t *testing.T) {
	book, path := newBook(t)
	defer lock(t, path)()
	ctx, interrupt := context.WithCancel(t.Context())
	interrupted := make(chan error)
	go func() { interrupted <- book.Begin(ctx, unproven(""), source.Facts{}) }() // ends with the interrupt
	interrupt()
	if err := <-interrupted; !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
}

// A logbook that may not grow (SQLite then says what it says of a full disk) gives up the run at hand, whether it is opened or
// closed, keeps every other, and goes on once there is room.
func TestFullLogbookKeepsWhatItHoldsAndGoesOn(t *testing.T) {
	book, path := newBook(t)
	limit := func(pages string) {
		var got int
		if err := book.db.QueryRowContext(t.Context(), "PRAGMA max_page_count = "+pages).Scan(&got); err != nil {
			t.Fatal(err)
		}
	}
	first := unproven("first")
	if err := book.Begin(t.Context(), first, source.Facts{}); err != nil {
		t.Fatal(err)
	}
	limit("1") // SQLite takes it as "no more than there are"
	trace := make([]flash.Sample, 1000)
	for i := range trace {
		trace[i].LengthBytes = 1
	}
	expectKind(t, "finish", book.Finish(t.Context(), first, source.Facts{}, trace), ErrFull, path)
	begun := 1
	var err error
	for ; err == nil && begun < 10_000; begun++ {
		err = book.Begin(t.Context(), unproven("next"), source.Facts{})
	}
	begun-- // the last was not
	expectKind(t, "begin", err, ErrFull, path)
	runs, err := book.List(t.Context(), Filter{Limit: 100_000})
	if err != nil || len(runs) != begun {
		t.Errorf("%d runs, %v; %d were begun", len(runs), err, begun)
	}
	if samples, err := book.Trace(t.Context(), first.RunID); err != nil || len(samples) != 0 {
		t.Errorf("the run that could not be closed has %d samples, %v", len(samples), err)
	}
	limit("1000000")
	if err := book.Finish(t.Context(), first, source.Facts{}, trace); err != nil {
		t.Errorf("with room again: %v", err)
	}
	if samples, err := book.Trace(t.Context(), first.RunID); err != nil || len(samples) != len(trace) {
		t.Errorf("the closed run has %d samples, %v", len(samples), err)
	}
}

// A logbook without room gives no turn, and no number is lost to those that it could not give.
func TestFullLogbookGivesNoTurn(t *testing.T) {
	book, path := newBook(t)
	batch, err := book.OpenBatch(t.Context(), BatchOptions{Name: "full", ImageSHA256: "digest"})
	if err != nil {
		t.Fatal(err)
	}
	defer batch.Close()
	limit := func(pages string) {
		var got int
		if err := book.db.QueryRowContext(t.Context(), "PRAGMA max_page_count = "+pages).Scan(&got); err != nil {
			t.Fatal(err)
		}
	}
	limit("1") // SQLite takes it as "no more than there are"
	var given int64
	for err == nil && given < 10_000 {
		if _, err = batch.Give(t.Context(), ""); err == nil {
			given++
		}
	}
	expectKind(t, "give", err, ErrFull, path)
	limit("1000000")
	if turn, err := batch.Give(t.Context(), ""); err != nil || turn.Number != given+1 {
		t.Errorf("with room again, after %d turns: %+v, %v", given, turn, err)
	}
}
