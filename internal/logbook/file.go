package logbook

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"
	_ "modernc.org/sqlite" // the driver of database/sql
	sqlite3 "modernc.org/sqlite/lib"
)

// patience is how long a program waits while another has the logbook.
const patience = 30 * time.Second

// openForWriting makes what is missing, checks that the file is ours, and only then changes it.
func openForWriting(ctx context.Context, path string) (_ *sql.DB, err error) {
	path, err = filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	if err := mustBeFile(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	if err := mustHaveItsLog(path); err != nil {
		return nil, err
	}
	if err := makeFolder(filepath.Dir(path)); err != nil {
		return nil, err
	}
	if err := makeFile(path); err != nil {
		return nil, err
	}
	if err := mustBeWritable(path); err != nil {
		return nil, err
	}
	if err := checkFile(ctx, path); err != nil {
		return nil, err
	}
	query := url.Values{
		"mode":    {"rw"},
		"_txlock": {"immediate"}, // a transaction that reads first and then finds the file changed could not go on
		// SQLite's own wait is short, since the calls of one program take turns: patiently is what waits for long.
		"_pragma": {"busy_timeout(250)", "foreign_keys(1)", "cache_size(-2000)", "journal_mode(WAL)", "synchronous(FULL)"},
	}
	// SQLite does not wait by itself where two programs switch a new file to write-ahead logging at once.
	db, err := patiently(ctx, patience, func() (*sql.DB, error) { return connect(ctx, path, query) })
	if err != nil {
		return nil, err
	}
	if err := migrate(ctx, db, migrationFiles()); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return db, nil
}

// openForReading opens a file that the caller may have no right to write.
func openForReading(ctx context.Context, path string) (*sql.DB, error) {
	path, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	if err := mustBeFile(path); err != nil {
		return nil, err
	}
	db, err := connectForReading(ctx, path)
	if err != nil {
		return nil, err
	}
	version, err := readVersion(ctx, db)
	if err == nil && version < latestVersion(migrationFiles()) {
		err = fmt.Errorf("%w: it is of an older version (%d); a command that writes to it brings it up to date",
			ErrNotALogbook, version)
	}
	if err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return db, nil
}

// mustBeFile refuses what is no regular file. SQLite would take a disk for an empty file, and write over it.
func mustBeFile(path string) error {
	info, err := os.Stat(path)
	if err == nil && !info.Mode().IsRegular() {
		err = fmt.Errorf("%w: it is no regular file; name another", ErrNotALogbook)
	}
	return err
}

// mustHaveItsLog refuses a place where only a logbook's latest changes lie: SQLite would delete them with the first write to a
// new file. The log is looked at first: a program that makes a logbook just now fills the file before it.
func mustHaveItsLog(path string) error {
	if hasEmptyLog(path) {
		return nil
	}
	if info, err := os.Stat(path); err == nil && info.Size() > 0 {
		return nil
	}
	return fmt.Errorf("%w: the file is missing or empty, but its latest changes lie in %s-wal; put the file back, "+
		"or move those away", ErrNotALogbook, path)
}

// mustBeWritable refuses a file that SQLite would open all the same, for reading.
func mustBeWritable(path string) error {
	for _, needed := range []string{path, filepath.Dir(path)} { // SQLite keeps files beside the logbook
		if err := unix.Faccessat(unix.AT_FDCWD, needed, unix.W_OK, unix.AT_EACCESS); err != nil {
			return &fs.PathError{Op: "write", Path: needed, Err: err}
		}
	}
	return nil
}

// checkFile says whether the file may become or is a logbook that this program knows, without changing it.
func checkFile(ctx context.Context, path string) error {
	db, err := connectForReading(ctx, path)
	if err != nil {
		return err
	}
	_, err = readVersion(ctx, db)
	return errors.Join(err, db.Close())
}

// connectForReading opens the file without any write to it. SQLite wants a shared-memory file beside a logbook even for
// reading. Where the reader cannot make one and no program has the logbook open, the file is read as immutable, which is
// sound only as long as no write-ahead log holds part of it. The risk that is left is a program that opens the logbook and
// writes it back during the one short read.
func connectForReading(ctx context.Context, path string) (*sql.DB, error) {
	// SQLite takes a file shorter than its smallest page for an empty one, and would write over it.
	const smallestPageBytes = 512
	if info, err := os.Stat(path); err == nil && info.Size() > 0 && info.Size() < smallestPageBytes {
		return nil, fmt.Errorf("%w: the file is no SQLite database; name another", ErrNotALogbook)
	}
	query := url.Values{
		"mode":    {"ro"},
		"_pragma": {"busy_timeout(30000)", "cache_size(-2000)", "query_only(1)"},
	}
	db, err := connect(ctx, path, query)
	if kind := kindOf(err); kind == ErrDenied || kind == ErrFull {
		if !hasEmptyLog(path) {
			return nil, fmt.Errorf("its latest changes can only be read where a file can be made beside it: %w", err)
		}
		query.Set("immutable", "1")
		db, err = connect(ctx, path, query)
	}
	if err == nil {
		if err = mustBeWholePages(ctx, db, path); err != nil {
			return nil, errors.Join(err, db.Close())
		}
	}
	if isCode(err, sqlite3.SQLITE_NOTADB) || isCode(err, sqlite3.SQLITE_CORRUPT) {
		return nil, fmt.Errorf("%w: the file is no SQLite database, or a damaged one; put back a copy of it, or name another (%w)",
			ErrNotALogbook, err)
	}
	return db, err
}

// patiently goes on trying while another program has the file. Each call waits as long as any other, also where several wait at
// once for the one connection.
func patiently[T any](ctx context.Context, patience time.Duration, try func() (T, error)) (T, error) {
	const pause = 10 * time.Millisecond
	for end := time.Now().Add(patience); ; {
		got, err := try()
		if !isCode(err, sqlite3.SQLITE_BUSY) || time.Now().After(end) {
			return got, err
		}
		select {
		case <-ctx.Done():
			return got, ctx.Err()
		case <-time.After(pause):
		}
	}
}

// begin begins a transaction that may write.
func begin(ctx context.Context, db *sql.DB, patience time.Duration) (*sql.Tx, error) {
	return patiently(ctx, patience, func() (*sql.Tx, error) { return db.BeginTx(ctx, nil) })
}

// mustBeWholePages refuses a file that was cut off within its last page, which SQLite would fill up with zeros. A file that was
// cut off elsewhere SQLite refuses by itself. While there is a log, the last page may lie in it.
func mustBeWholePages(ctx context.Context, db *sql.DB, path string) error {
	if !hasEmptyLog(path) {
		return nil
	}
	var pageBytes int64
	if err := db.QueryRowContext(ctx, "PRAGMA page_size").Scan(&pageBytes); err != nil {
		return err
	}
	info, err := os.Stat(path)
	if err == nil && info.Size()%pageBytes != 0 {
		err = fmt.Errorf("%w: the file was cut off; put back a copy of it, or name another", ErrNotALogbook)
	}
	return err
}

// connect opens the file through one connection and reads from it once, so that what is wrong is told here.
func connect(ctx context.Context, path string, query url.Values) (*sql.DB, error) {
	dsn := url.URL{Scheme: "file", Path: path, RawQuery: query.Encode()}
	db, err := sql.Open("sqlite", dsn.String())
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	var changes int
	if err := db.QueryRowContext(ctx, "PRAGMA schema_version").Scan(&changes); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return db, nil
}

// hasEmptyLog says whether the file beside the logbook that would hold its latest changes is missing or empty.
func hasEmptyLog(path string) bool {
	info, err := os.Stat(path + "-wal")
	return errors.Is(err, fs.ErrNotExist) || err == nil && info.Size() == 0
}

// makeFolder makes the folder where it is missing. Root's is opened to every reader, whatever the umask says: commands
// that only read need no root.
func makeFolder(folder string) error {
	if _, err := os.Stat(folder); err == nil {
		return nil
	}
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return err
	}
	if os.Geteuid() == 0 {
		return os.Chmod(folder, 0o755)
	}
	return nil
}

// makeFile makes an empty file where there is none, readable by everyone if root's; SQLite gives the files beside it the
// same rights. The file is not opened for that, as closing it would drop the locks that this process may hold on it through
// SQLite. It returns once the file's name is on disk.
func makeFile(path string) error {
	const readableByAll = 0o644
	err := unix.Mknod(path, unix.S_IFREG|readableByAll, 0)
	if errors.Is(err, fs.ErrExist) {
		return nil
	}
	if err != nil {
		return &fs.PathError{Op: "create", Path: path, Err: err}
	}
	if os.Geteuid() == 0 {
		err = os.Chmod(path, readableByAll)
	}
	return errors.Join(err, syncFolder(filepath.Dir(path)))
}

// syncFolder returns once the names in the folder are on disk.
func syncFolder(folder string) error {
	dir, err := os.Open(folder)
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}
