package logbook

// In the package itself: a migration can only be watched at a version that no exported call leaves behind.

import (
	"context"
	"database/sql"
	"fmt"
	"net/url"
	"path/filepath"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"
)

// connectNew opens an empty file the way Open does.
func connectNew(t *testing.T, path string) *sql.DB {
	t.Helper()
	if err := makeFile(path); err != nil {
		t.Fatal(err)
	}
	db, err := connect(t.Context(), path, url.Values{"mode": {"rw"}, "_txlock": {"immediate"}, "_pragma": {"journal_mode(WAL)"}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	return db
}

// schema lists the tables and indexes and the statement that makes each, as the file holds them.
func schema(t *testing.T, db *sql.DB) []string {
	t.Helper()
	rows, err := db.QueryContext(t.Context(), `SELECT name || ': ' || coalesce(sql, '') FROM sqlite_schema ORDER BY name`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var lines []string
	for rows.Next() {
		var line string
		if err := rows.Scan(&line); err != nil {
			t.Fatal(err)
		}
		lines = append(lines, line)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return lines
}

// firstFiles gives the changes up to a version.
func firstFiles(t *testing.T, version int) fstest.MapFS {
	t.Helper()
	files := fstest.MapFS{}
	for number := 1; number <= version; number++ {
		names, err := filepath.Glob(fmt.Sprintf("migrations/%04d_*.sql", number))
		if err != nil || len(names) != 1 {
			t.Fatalf("change %d: %v, %v", number, names, err)
		}
		content, err := embedded.ReadFile(names[0])
		if err != nil {
			t.Fatal(err)
		}
		files[filepath.Base(names[0])] = &fstest.MapFile{Data: content}
	}
	return files
}

func TestEachEarlierVersionBecomesTheLatest(t *testing.T) {
	latest := latestVersion(migrationFiles())
	fresh := connectNew(t, filepath.Join(t.TempDir(), "fresh.db"))
	if err := migrate(t.Context(), fresh, migrationFiles()); err != nil {
		t.Fatal(err)
	}
	want := schema(t, fresh)
	for version := 0; version <= latest; version++ {
		path := filepath.Join(t.TempDir(), "earlier.db")
		db := connectNew(t, path)
		if err := migrate(t.Context(), db, firstFiles(t, version)); err != nil {
			t.Fatal(err)
		}
		if got, err := readVersion(t.Context(), db); err != nil || got != version {
			t.Fatalf("made version %d: reads as %d, %v", version, got, err)
		}
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
		book, err := Open(t.Context(), path)
		if err != nil {
			t.Fatalf("version %d: %v", version, err)
		}
		if diff := cmp.Diff(want, schema(t, book.db)); diff != "" {
			t.Errorf("from version %d the tables differ from new ones (-want +got):\n%s", version, diff)
		}
		if got, err := readVersion(t.Context(), book.db); err != nil || got != latest {
			t.Errorf("from version %d: reads as %d, %v", version, got, err)
		}
		if err := book.Close(); err != nil {
			t.Error(err)
		}
	}
}

func TestFailedChangeLeavesTheEarlierVersion(t *testing.T) {
	files := fstest.MapFS{
		"0001_one.sql": &fstest.MapFile{Data: []byte("CREATE TABLE one (x);\n")},
		"0002_two.sql": &fstest.MapFile{Data: []byte("CREATE TABLE two (x);\nINSERT INTO nowhere VALUES (1);\n")},
	}
	db := connectNew(t, filepath.Join(t.TempDir(), "new.db"))
	if err := migrate(t.Context(), db, files); err == nil {
		t.Error("a broken change was taken")
	}
	if version := userVersion(t, db); version != 0 || len(schema(t, db)) != 0 {
		t.Errorf("left version %d with %v", version, schema(t, db))
	}
	files["0002_two.sql"].Data = []byte("CREATE TABLE two (x);\n")
	if err := migrate(t.Context(), db, files); err != nil {
		t.Fatal(err)
	}
	if version := userVersion(t, db); version != 2 || len(schema(t, db)) != 2 {
		t.Errorf("reached version %d with %v", version, schema(t, db))
	}
	gap := fstest.MapFS{"0001_one.sql": files["0001_one.sql"], "0003_three.sql": files["0002_two.sql"]}
	other := connectNew(t, filepath.Join(t.TempDir(), "gap.db"))
	if err := migrate(t.Context(), other, gap); err == nil {
		t.Error("a missing number was passed over")
	}
}

// userVersion reads the version as SQLite keeps it.
func userVersion(t *testing.T, db *sql.DB) (version int) {
	t.Helper()
	if err := db.QueryRowContext(context.Background(), "PRAGMA user_version").Scan(&version); err != nil {
		t.Fatal(err)
	}
	return version
}

// The settings a crash-safe record rests on (SQLite documentation, "PRAGMA Statements": synchronous 2 is FULL).
func TestOpenBookIsSetToSurvive(t *testing.T) {
	book, err := Open(t.Context(), filepath.Join(t.TempDir(), "new.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	want := map[string]string{
		"journal_mode": "wal", "synchronous": "2", "foreign_keys": "1", "cache_size": "-2000", "busy_timeout": "250",
		"application_id": "1667528562", "integrity_check": "ok",
	}
	for pragma, value := range want {
		var got string
		if err := book.db.QueryRowContext(t.Context(), "PRAGMA "+pragma).Scan(&got); err != nil || got != value {
			t.Errorf("%s is %q, want %q (%v)", pragma, got, value, err)
		}
	}
	if _, err := book.db.ExecContext(t.Context(), "INSERT INTO traces VALUES (77, 0, 0, 0, 0, 0)"); err == nil {
		t.Error("a trace without a run was taken")
	}
}
