//go:build device

package logbook_test

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"

	"cardwright/internal/logbook"
)

// smallDisk mounts a file system of 1 MiB in memory and takes it away with the test.
func smallDisk(t *testing.T) string {
	t.Helper()
	folder := t.TempDir()
	if err := unix.Mount("none", folder, "tmpfs", 0, "size=1m"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(folder, 0); err != nil {
			t.Error(err)
		}
	})
	return folder
}

// fill takes all the room that is left, and gives it back.
func fill(t *testing.T, folder string) (giveBack func()) {
	t.Helper()
	path := filepath.Join(folder, "filler")
	file, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	for err == nil {
		_, err = file.Write(make([]byte, 4096))
	}
	if !errors.Is(err, unix.ENOSPC) {
		t.Fatal(err)
	}
	if err := file.Close(); err != nil {
		t.Fatal(err)
	}
	return func() {
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
	}
}

// On a full disk no run is begun or closed, what is there stays and can be read, and with room all goes on.
func TestFullDiskStopsTheRecordingAndNothingElse(t *testing.T) {
	folder := smallDisk(t)
	path := filepath.Join(folder, "logbook.db")
	book := open(t, path)
	begun := flashRun("begun", "")
	record(t, book, flashRun("kept", ""), "x", longTrace(1))
	if err := book.Begin(t.Context(), begun, begunImage("x")); err != nil {
		t.Fatal(err)
	}
	giveBack := fill(t, folder)
	situations := map[string]func() error{
		"finish": func() error { return book.Finish(t.Context(), ended(begun), endedImage("x"), longTrace(2)) },
		"begin":  func() error { return book.Begin(t.Context(), flashRun("late", ""), begunImage("x")) },
		"a new logbook": func() error {
			_, err := logbook.Open(t.Context(), filepath.Join(folder, "logbook.db.new"))
			return err
		},
		"a new folder": func() error {
			_, err := logbook.Open(t.Context(), filepath.Join(folder, "new", "logbook.db"))
			return err
		},
	}
	for name, call := range situations {
		expectNamed(t, name, call(), logbook.ErrFull, folder)
	}
	if records := mustList(t, book, logbook.Filter{}); len(records) != 2 || records[1].Verdict != logbook.Intact {
		t.Errorf("the full disk holds %+v", records)
	}
	giveBack()
	if err := book.Finish(t.Context(), ended(begun), endedImage("x"), longTrace(2)); err != nil {
		t.Errorf("with room again: %v", err)
	}
	checkIntegrity(t, path)
	t.Logf("logbook faults: %d situations", len(situations))
}

// A logbook on a disk that was full before is not opened for writing, but can be read.
func TestLogbookOnAFullDiskCanBeRead(t *testing.T) {
	folder := smallDisk(t)
	path := filepath.Join(folder, "logbook.db")
	book, err := logbook.Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	record(t, book, flashRun("kept", ""), "x", nil)
	if err := book.Close(); err != nil {
		t.Fatal(err)
	}
	giveBack := fill(t, folder)
	reader, err := logbook.OpenReadOnly(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	if records := mustList(t, reader, logbook.Filter{}); len(records) != 1 {
		t.Errorf("%d runs", len(records))
	}
	_, err = logbook.Open(t.Context(), path)
	expectNamed(t, "opened for writing", err, logbook.ErrFull, path)
	giveBack()
	record(t, open(t, path), flashRun("next", ""), "x", nil)
}

// At whatever moment the disk becomes full, every run that was closed is there, and nothing is closed by half.
func TestDiskThatFillsUpKeepsEveryClosedRun(t *testing.T) {
	folder := smallDisk(t)
	path := filepath.Join(folder, "logbook.db")
	book := open(t, path)
	var err error
	closedRuns := 0
	for err == nil && closedRuns < 10_000 {
		run := flashRun("filling", "")
		if err = book.Begin(t.Context(), run, begunImage("x")); err != nil {
			break
		}
		end, samples := outcome(run)
		if err = book.Finish(t.Context(), end, endedImage("x"), samples); err == nil {
			closedRuns++
		}
	}
	expectNamed(t, "at the end", err, logbook.ErrFull, path)
	closed, opened := expectWhole(t, book)
	if len(closed) != closedRuns || opened > 1 || closedRuns == 0 {
		t.Errorf("%d runs are closed and %d open; %d were closed", len(closed), opened, closedRuns)
	}
	checkIntegrity(t, path)
	t.Logf("%d runs were closed before the disk was full", closedRuns)
}
