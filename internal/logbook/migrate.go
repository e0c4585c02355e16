package logbook

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"strconv"
)

// applicationID marks a SQLite file as a logbook: the letters "cdwr" in ASCII.
const applicationID = 0x63647772

//go:embed migrations/*.sql
var embedded embed.FS

// migrationFiles gives the folder of numbered changes: 0001_... makes version 1 of the tables, and so on.
func migrationFiles() fs.FS {
	folder, err := fs.Sub(embedded, "migrations")
	if err != nil {
		panic(err) // the folder's name is written two lines above
	}
	return folder
}

// latestVersion is the version of the tables that this program knows: the number of changes there are.
func latestVersion(files fs.FS) int {
	names, err := fs.Glob(files, "*.sql")
	if err != nil {
		panic(err) // only a malformed pattern
	}
	return len(names)
}

// readVersion gives the version of the tables, 0 for a file without any. ErrNotALogbook for a file of another program and
// for a version that this program does not know.
func readVersion(ctx context.Context, db queryer) (int, error) {
	var id, version, tables int
	err := db.QueryRowContext(ctx, `SELECT (SELECT application_id FROM pragma_application_id),
		(SELECT user_version FROM pragma_user_version), (SELECT count(*) FROM sqlite_schema)`).Scan(&id, &version, &tables)
	if err != nil {
		return 0, err
	}
	latest := latestVersion(migrationFiles())
	switch {
	case id == 0 && version == 0 && tables == 0:
		return 0, nil
	case id != applicationID:
		return 0, fmt.Errorf("%w: the file is a SQLite database of another program; name another", ErrNotALogbook)
	case version > latest, version < 0:
		return 0, fmt.Errorf("%w: it was written by a newer program (version %d of the tables, this one knows %d); "+
			"use that one, or name another file", ErrNotALogbook, version, latest)
	}
	return version, nil
}

// migrate brings the tables up to date, all changes in one transaction. Where there is nothing to do it waits for no other
// program; else the version is read once more inside the transaction, as another program may have been faster.
func migrate(ctx context.Context, db *sql.DB, files fs.FS) error {
	if version, err := readVersion(ctx, db); err != nil || version == latestVersion(files) {
		return err
	}
	tx, err := begin(ctx, db, patience)
	if err != nil {
		return err
	}
	if err := applyChanges(ctx, tx, files); err != nil {
		return errors.Join(err, tx.Rollback())
	}
	return tx.Commit()
}

// applyChanges applies the changes that the file has not seen.
func applyChanges(ctx context.Context, tx *sql.Tx, files fs.FS) error {
	version, err := readVersion(ctx, tx)
	if err != nil {
		return err
	}
	for number := version + 1; number <= latestVersion(files); number++ {
		if err := applyChange(ctx, tx, files, number); err != nil {
			return fmt.Errorf("bring the logbook's tables to version %d: %w", number, err)
		}
	}
	return nil
}

// applyChange applies one change and notes it in the file's header.
func applyChange(ctx context.Context, tx *sql.Tx, files fs.FS, number int) error {
	names, err := fs.Glob(files, fmt.Sprintf("%04d_*.sql", number))
	if err != nil {
		return err
	}
	if len(names) != 1 {
		return fmt.Errorf("there are %d changes of this number", len(names))
	}
	statements, err := fs.ReadFile(files, names[0])
	if err != nil {
		return err
	}
	// A pragma takes no parameters; both values are numbers.
	mark := "PRAGMA application_id = " + strconv.Itoa(applicationID) + "; PRAGMA user_version = " + strconv.Itoa(number)
	_, err = tx.ExecContext(ctx, string(statements)+mark)
	return err
}
