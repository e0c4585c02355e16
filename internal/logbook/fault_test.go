package logbook_test

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"cardwright/internal/logbook"
)

// closedBook makes a logbook of one run in a folder of its own.
func closedBook(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "logbook.db")
	book, err := logbook.Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	record(t, book, flashRun("kept", ""), "x", longTrace(1))
	if err := book.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

// beside gives the content of every regular file in the folder of a path, by name.
func beside(t *testing.T, path string) map[string]string {
	t.Helper()
	entries, err := os.ReadDir(filepath.Dir(path))
	if err != nil && !errors.Is(err, fs.ErrNotExist) && !errors.Is(err, unix.ENOTDIR) {
		t.Fatal(err)
	}
	contents := map[string]string{}
	for _, entry := range entries {
		if entry.Type().IsRegular() {
			content, err := os.ReadFile(filepath.Join(filepath.Dir(path), entry.Name()))
			if err != nil {
				t.Fatal(err)
			}
			contents[entry.Name()] = string(content)
		}
	}
	return contents
}

// copyAs copies a file.
func copyAs(t *testing.T, from, to string) {
	t.Helper()
	content, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(to, content, 0o600); err != nil {
		t.Fatal(err)
	}
}

// expectNamed wants an error of this kind that names the file.
func expectNamed(t *testing.T, what string, err, kind error, path string) {
	t.Helper()
	if !errors.Is(err, kind) || !strings.Contains(err.Error(), path) {
		t.Errorf("%s: got %v, want it to be %q and to name %s", what, err, kind, path)
	}
}

// Whatever lies where a logbook should, the error says what kind of thing it is and names it, and not a byte beside it changes.
func TestWhatIsNoLogbookIsNamedAndLeftAlone(t *testing.T) {
	situations := map[string]struct {
		path    func(t *testing.T) string
		writing error
		reading error
	}{
		"a folder": {func(t *testing.T) string { return t.TempDir() }, logbook.ErrNotALogbook, logbook.ErrNotALogbook},
		"a pipe": {func(t *testing.T) string {
			path := filepath.Join(t.TempDir(), "pipe")
			if err := unix.Mkfifo(path, 0o600); err != nil {
				t.Fatal(err)
			}
			return path
		}, logbook.ErrNotALogbook, logbook.ErrNotALogbook},
		"a device": {func(*testing.T) string { return os.DevNull }, logbook.ErrNotALogbook, logbook.ErrNotALogbook},
		"a link to a device": {func(t *testing.T) string {
			path := filepath.Join(t.TempDir(), "link.db")
			if err := os.Symlink(os.DevNull, path); err != nil {
				t.Fatal(err)
			}
			return path
		}, logbook.ErrNotALogbook, logbook.ErrNotALogbook},
		"a text": {func(t *testing.T) string {
			return writeFile(t, bytes.Repeat([]byte("no database\n"), 1000))
		}, logbook.ErrNotALogbook, logbook.ErrNotALogbook},
		"a newer logbook": {func(t *testing.T) string {
			path := closedBook(t)
			alter(t, path, "PRAGMA user_version = 999")
			return path
		}, logbook.ErrNotALogbook, logbook.ErrNotALogbook},
		"a logbook of a version below zero": {func(t *testing.T) string {
			path := closedBook(t)
			alter(t, path, "PRAGMA user_version = -1")
			return path
		}, logbook.ErrNotALogbook, logbook.ErrNotALogbook},
		"another program's database": {func(t *testing.T) string {
			return plainDatabase(t, "CREATE TABLE t (x)")
		}, logbook.ErrNotALogbook, logbook.ErrNotALogbook},
		"another program's database with changes in its log": {func(t *testing.T) string {
			from := plainDatabase(t, "PRAGMA journal_mode = WAL; CREATE TABLE t (x)")
			return leftOpen(t, from, "INSERT INTO t VALUES (1)")
		}, logbook.ErrNotALogbook, logbook.ErrNotALogbook},
		"an empty file with changes in its log": {func(t *testing.T) string {
			from := plainDatabase(t, "PRAGMA journal_mode = WAL; CREATE TABLE t (x)")
			path := leftOpen(t, from, "INSERT INTO t VALUES (1)")
			if err := os.Truncate(path, 0); err != nil {
				t.Fatal(err)
			}
			return path
		}, logbook.ErrNotALogbook, nil},
		"a missing file with changes in its log": {func(t *testing.T) string {
			from := plainDatabase(t, "PRAGMA journal_mode = WAL; CREATE TABLE t (x)")
			path := leftOpen(t, from, "INSERT INTO t VALUES (1)")
			if err := os.Remove(path); err != nil {
				t.Fatal(err)
			}
			return path
		}, logbook.ErrNotALogbook, fs.ErrNotExist},
		"a path through a file": {func(t *testing.T) string {
			return filepath.Join(writeFile(t, []byte("x")), "logbook.db")
		}, logbook.ErrDenied, logbook.ErrDenied},
		"a folder in which nobody can make a file": {func(*testing.T) string {
			return "/proc/self/logbook.db" // not even root
		}, logbook.ErrDenied, fs.ErrNotExist},
		"a folder that nobody can make": {func(*testing.T) string {
			return "/proc/self/away/logbook.db"
		}, logbook.ErrDenied, fs.ErrNotExist},
		"a name that is too long": {func(t *testing.T) string {
			return filepath.Join(t.TempDir(), strings.Repeat("x", 300))
		}, logbook.ErrDenied, logbook.ErrDenied},
	}
	for name, s := range situations {
		t.Run(name, func(t *testing.T) {
			path := s.path(t)
			var before map[string]string
			if strings.HasPrefix(path, os.TempDir()) {
				before = beside(t, path)
			}
			book, err := logbook.Open(t.Context(), path)
			expectNamed(t, "opened for writing", err, s.writing, path)
			if book != nil {
				t.Error("there is a logbook beside the error")
			}
			if s.reading != nil {
				book, err = logbook.OpenReadOnly(t.Context(), path)
				expectNamed(t, "opened for reading", err, s.reading, path)
				if book != nil {
					t.Error("there is a logbook beside the error")
				}
			}
			for file, content := range before {
				if strings.HasSuffix(file, "-shm") {
					continue // it holds no data; whoever opens the database makes it anew
				}
				if after := beside(t, path); after[file] != content {
					t.Errorf("%s changed", file)
				}
			}
		})
	}
	t.Logf("logbook faults: %d situations", len(situations))
}

// leftOpen gives a copy of a database as a killed program leaves it: with a change that is in its log alone.
func leftOpen(t *testing.T, from, statement string) string {
	t.Helper()
	db := openPlain(t, from)
	if _, err := db.ExecContext(t.Context(), statement); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "left.db")
	copyAs(t, from, path)
	copyAs(t, from+"-wal", path+"-wal")
	if info, err := os.Stat(path + "-wal"); err != nil || info.Size() == 0 {
		t.Fatalf("the log holds nothing: %v", err)
	}
	return path
}

// A logbook that was cut off at any place is told as damaged, and stays as it is; it is never taken for a shorter one.
func TestCutLogbookIsNeverTakenForAWholeOne(t *testing.T) {
	whole, err := os.ReadFile(closedBook(t))
	if err != nil {
		t.Fatal(err)
	}
	situations := 0
	for _, step := range []int{512, 997} {
		for sizeBytes := step; sizeBytes < len(whole); sizeBytes += step {
			path := writeFile(t, whole[:sizeBytes])
			_, err := logbook.Open(t.Context(), path)
			expectNamed(t, fmt.Sprintf("%d of %d bytes, for writing", sizeBytes, len(whole)), err, logbook.ErrNotALogbook, path)
			_, err = logbook.OpenReadOnly(t.Context(), path)
			expectNamed(t, fmt.Sprintf("%d of %d bytes, for reading", sizeBytes, len(whole)), err, logbook.ErrNotALogbook, path)
			if after, err := os.ReadFile(path); err != nil || !bytes.Equal(after, whole[:sizeBytes]) {
				t.Errorf("%d of %d bytes: the file changed (%v)", sizeBytes, len(whole), err)
			}
			situations++
		}
	}
	t.Logf("logbook faults: %d situations", situations)
}

// What is written to a file that the path does not name any more would never be found again, so it counts as not recorded. What
// had been recorded before is there as soon as the file is put back.
func TestLogbookThatIsMovedWhileInUseTakesNoMore(t *testing.T) {
	situations := map[string]func(path string) error{
		"deleted": os.Remove,
		"moved":   func(path string) error { return os.Rename(path, path+".away") },
		"moved with its log": func(path string) error {
			return errors.Join(os.Rename(path, path+".away"), os.Rename(path+"-wal", path+".away-wal"))
		},
		"replaced by another": func(path string) error {
			return errors.Join(os.WriteFile(path+".new", []byte("x"), 0o600), os.Rename(path+".new", path))
		},
		"its folder moved": func(path string) error { return os.Rename(filepath.Dir(path), filepath.Dir(path)+".away") },
	}
	for name, move := range situations {
		t.Run(name, func(t *testing.T) {
			path := bookPath(t)
			book, err := logbook.Open(t.Context(), path)
			if err != nil {
				t.Fatal(err)
			}
			begun := flashRun("begun", "")
			record(t, book, flashRun("kept", ""), "x", trace(1))
			if err := book.Begin(t.Context(), begun, begunImage("x")); err != nil {
				t.Fatal(err)
			}
			batch := openBatch(t, book, stack(false))
			give(t, batch, "kept", 1)
			if err := move(path); err != nil {
				t.Fatal(err)
			}
			_, err = batch.Give(t.Context(), "late")
			expectNamed(t, "give", err, logbook.ErrMoved, path)
			expectNamed(t, "settle", batch.Settle(t.Context(), 1, 0, true), logbook.ErrMoved, path)
			err = book.Begin(t.Context(), flashRun("late", ""), begunImage("x"))
			expectNamed(t, "begin", err, logbook.ErrMoved, path)
			err = book.Finish(t.Context(), ended(begun), endedImage("x"), trace(1))
			expectNamed(t, "finish", err, logbook.ErrMoved, path)
			if err := book.Close(); err != nil {
				t.Error(err)
			}
		})
	}
	t.Logf("logbook faults: %d situations", len(situations))
}

// A logbook that was moved without its log, and that somebody else then wanted to begin anew, is whole again once it is put back.
func TestMovedLogbookThatIsPutBackHasLostNothing(t *testing.T) {
	path := bookPath(t)
	book, err := logbook.Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	run := flashRun("kept", "")
	record(t, book, run, "x", trace(1))
	if err := os.Rename(path, path+".away"); err != nil {
		t.Fatal(err)
	}
	if _, err := logbook.Open(t.Context(), path); !errors.Is(err, logbook.ErrNotALogbook) {
		t.Errorf("begun anew over the log of another: %v", err)
	}
	if err := book.Close(); err != nil {
		t.Error(err)
	}
	if err := os.Rename(path+".away", path); err != nil {
		t.Fatal(err)
	}
	if got, err := open(t, path).Show(t.Context(), run.RunID); err != nil || got.Label != "kept" || got.Verdict != logbook.Intact {
		t.Errorf("%+v, %v", got, err)
	}
	checkIntegrity(t, path)
}
