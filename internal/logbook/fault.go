package logbook

import (
	"errors"
	"fmt"
	"io/fs"

	"golang.org/x/sys/unix"
	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// What can go wrong with a file that is a logbook, in words that say what to do. The card that was worked on is no worse for it.
var (
	// ErrFull says that the disk under the logbook has no room left.
	ErrFull = errors.New("its disk is full: make room there, or name another")
	// ErrBusy says that another program kept the logbook to itself for longer than this one waits.
	ErrBusy = errors.New("another program keeps it locked: end that program, then try again")
	// ErrDenied says that the file or its folder may not be opened, made or written.
	ErrDenied = errors.New("it cannot be opened or written there: see to the file and its folder, or name another")
	// ErrMoved says that the path does not name the opened file any more, so that what is written would not be found again.
	ErrMoved = errors.New("it was moved, deleted or replaced while in use: put it back, or start again")
	// ErrDisk says that the disk under the logbook failed.
	ErrDisk = errors.New("its disk failed to read or write it: see to that disk, or name another")
	// ErrBroken says that parts of the logbook make no sense.
	ErrBroken = errors.New("it is damaged: put back a copy of it, or name another")
)

// explained makes an error name the logbook and say what is wrong in plain words. SQLite's own words follow for whoever looks
// deeper.
func explained(path string, err error) error {
	if err == nil {
		return nil
	}
	if kind := kindOf(err); kind != nil {
		err = fmt.Errorf("%w (%w)", kind, err)
	}
	return fmt.Errorf("logbook %s: %w", path, err)
}

// kindOf sorts an error of SQLite or of the file system; nil for one that speaks for itself.
func kindOf(err error) error {
	var failed *fs.PathError
	switch {
	case err == nil, errors.Is(err, ErrNotALogbook), errors.Is(err, ErrMoved):
		return nil
	case isCode(err, sqlite3.SQLITE_FULL), isExtendedCode(err, sqlite3.SQLITE_IOERR_SHMSIZE), errors.Is(err, unix.ENOSPC):
		return ErrFull
	case isCode(err, sqlite3.SQLITE_BUSY):
		return ErrBusy
	case isCode(err, sqlite3.SQLITE_READONLY), isCode(err, sqlite3.SQLITE_CANTOPEN), errors.As(err, &failed):
		return ErrDenied
	case isCode(err, sqlite3.SQLITE_IOERR):
		return ErrDisk
	case isCode(err, sqlite3.SQLITE_CORRUPT), isCode(err, sqlite3.SQLITE_NOTADB):
		return ErrBroken
	}
	return nil
}

// isCode says whether err came from SQLite with this primary result code.
func isCode(err error, code int) bool {
	var failed *sqlite.Error
	return errors.As(err, &failed) && failed.Code()&0xff == code
}

// isExtendedCode says whether err came from SQLite with this very result code. That of a shared-memory file that cannot grow is
// the one sign of a full disk that SQLite gives no primary code of its own.
func isExtendedCode(err error, code int) bool {
	var failed *sqlite.Error
	return errors.As(err, &failed) && failed.Code() == code
}
