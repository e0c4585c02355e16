package logbook_test

import (
	"bytes"
	"database/sql"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"

	"cardwright/internal/logbook"
)

// plainDatabase makes a SQLite file with these statements.
func plainDatabase(t *testing.T, statements string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "plain.db")
	alter(t, path, statements)
	return path
}

// alter runs statements on a file past the logbook.
func alter(t *testing.T, path, statements string) {
	t.Helper()
	db := openPlain(t, path)
	if _, err := db.ExecContext(t.Context(), statements); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}

// openPlain opens a SQLite file past the logbook, through one connection, and closes it with the test.
func openPlain(t *testing.T, path string) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	t.Cleanup(func() { db.Close() })
	return db
}

// writeFile makes a file with this content.
func writeFile(t *testing.T, content []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(path, content, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestOtherFilesAreRefusedAndStayAsTheyAre(t *testing.T) {
	newer := bookPath(t)
	book := open(t, newer)
	record(t, book, flashRun("a", ""), "x", trace(1))
	if err := book.Close(); err != nil {
		t.Fatal(err)
	}
	broken, err := os.ReadFile(newer)
	if err != nil {
		t.Fatal(err)
	}
	alter(t, newer, "PRAGMA user_version = 999")
	torn := bytes.Repeat([]byte{0xa5}, len(broken))
	copy(torn, broken[:100]) // the header of a logbook, and nothing behind it
	cases := map[string]string{
		"a newer logbook":           newer,
		"a text":                    writeFile(t, bytes.Repeat([]byte("no database\n"), 200)),
		"a single byte":             writeFile(t, []byte("x")),
		"another program's tables":  plainDatabase(t, "CREATE TABLE t (x); INSERT INTO t VALUES (1)"),
		"another program's id":      plainDatabase(t, "PRAGMA application_id = 7"),
		"a logbook's id, no tables": plainDatabase(t, "CREATE TABLE t (x); PRAGMA user_version = 1"),
		"a torn logbook":            writeFile(t, torn),
	}
	for name, path := range cases {
		t.Run(name, func(t *testing.T) {
			before, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if book, err := logbook.Open(t.Context(), path); !errors.Is(err, logbook.ErrNotALogbook) || book != nil {
				t.Errorf("opened: %v", err)
			}
			if book, err := logbook.OpenReadOnly(t.Context(), path); !errors.Is(err, logbook.ErrNotALogbook) || book != nil {
				t.Errorf("opened for reading: %v", err)
			}
			after, err := os.ReadFile(path)
			if err != nil || !bytes.Equal(before, after) {
				t.Errorf("the file changed (%v)", err)
			}
		})
	}
}

func TestFolderIsNoLogbook(t *testing.T) {
	if _, err := logbook.Open(t.Context(), t.TempDir()); err == nil {
		t.Error("opened a folder")
	}
}

func TestEmptyFileBecomesALogbook(t *testing.T) {
	path := writeFile(t, nil)
	record(t, open(t, path), flashRun("a", ""), "x", nil)
	if _, err := logbook.OpenReadOnly(t.Context(), writeFile(t, nil)); !errors.Is(err, logbook.ErrNotALogbook) {
		t.Errorf("an empty file, for reading: %v", err)
	}
}

func TestMissingLogbookIsNotMadeForReading(t *testing.T) {
	path := filepath.Join(t.TempDir(), "logbook.db")
	if _, err := logbook.OpenReadOnly(t.Context(), path); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("got %v", err)
	}
	if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the file is there: %v", err)
	}
}

func TestReadOnlyBookReadsAndTakesNothing(t *testing.T) {
	path := bookPath(t)
	writer := open(t, path)
	run := flashRun("a", "")
	record(t, writer, run, "x", trace(1))
	reader, err := logbook.OpenReadOnly(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Close()
	if _, err := reader.Show(t.Context(), run.RunID); err != nil {
		t.Error(err)
	}
	if err := reader.Begin(t.Context(), flashRun("b", ""), begunImage("x")); !errors.Is(err, logbook.ErrReadOnly) {
		t.Errorf("begin: %v", err)
	}
	if err := reader.Finish(t.Context(), ended(run), endedImage("x"), nil); !errors.Is(err, logbook.ErrReadOnly) {
		t.Errorf("finish: %v", err)
	}
	check := capacityCheck("a", 1<<30)
	if err := reader.BeginCapacity(t.Context(), check, nil); !errors.Is(err, logbook.ErrReadOnly) || check.CheckID != 0 {
		t.Errorf("begin a check: %v", err)
	}
	if err := reader.FinishCapacity(t.Context(), check); !errors.Is(err, logbook.ErrReadOnly) {
		t.Errorf("finish a check: %v", err)
	}
	if _, err := reader.MeetCard(t.Context(), "a", 1<<30, nil); !errors.Is(err, logbook.ErrReadOnly) {
		t.Errorf("meet a card: %v", err)
	}
	if err := reader.SetFacts(t.Context(), run.CardID, map[string]string{"price": "1"}, noon); !errors.Is(err, logbook.ErrReadOnly) {
		t.Errorf("set facts: %v", err)
	}
	if err := reader.NameMaker(t.Context(), logbook.KindSD, 1, "A"); !errors.Is(err, logbook.ErrReadOnly) {
		t.Errorf("name a maker: %v", err)
	}
	if card, err := reader.CardByLabel(t.Context(), "a"); err != nil || card.CardID != run.CardID || len(card.Facts) != 0 {
		t.Errorf("the card: %+v, %v", card, err)
	}
	if _, err := reader.OpenBatch(t.Context(), stack(false)); !errors.Is(err, logbook.ErrReadOnly) {
		t.Errorf("open a batch: %v", err)
	}
	// A reader sees what is written while it is open.
	record(t, writer, flashRun("b", ""), "x", nil)
	if records, err := reader.List(t.Context(), logbook.Filter{}); err != nil || len(records) != 2 {
		t.Errorf("%d runs, %v", len(records), err)
	}
}

func TestOddNamesAreNames(t *testing.T) {
	for _, name := range []string{"a b.db", "50%.db", "what?mode=memory.db", "#1.db", "ä&b=c.db", ":memory:", "%41.db"} {
		folder := t.TempDir()
		path := filepath.Join(folder, name)
		book := open(t, path)
		record(t, book, flashRun("a", ""), "x", nil)
		if err := book.Close(); err != nil {
			t.Fatal(err)
		}
		entries, err := os.ReadDir(folder)
		if err != nil || len(entries) != 1 || entries[0].Name() != name {
			t.Errorf("%s: the folder holds %v, %v", name, entries, err)
		}
		reader, err := logbook.OpenReadOnly(t.Context(), path)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if records, err := reader.List(t.Context(), logbook.Filter{}); err != nil || len(records) != 1 {
			t.Errorf("%s: %d runs, %v", name, len(records), err)
		}
		reader.Close()
	}
}

// SQLite takes a disk for an empty file and a pipe for one that never comes.
func TestOnlyARegularFileBecomesALogbook(t *testing.T) {
	pipe := filepath.Join(t.TempDir(), "pipe")
	if err := unix.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	link := filepath.Join(t.TempDir(), "link.db")
	if err := os.Symlink(os.DevNull, link); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{pipe, os.DevNull, link, t.TempDir()} {
		if _, err := logbook.Open(t.Context(), path); !errors.Is(err, logbook.ErrNotALogbook) {
			t.Errorf("%s is written to: %v", path, err)
		}
		if _, err := logbook.OpenReadOnly(t.Context(), path); !errors.Is(err, logbook.ErrNotALogbook) {
			t.Errorf("%s is read: %v", path, err)
		}
	}
}
