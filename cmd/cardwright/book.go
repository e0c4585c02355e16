package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"cardwright/internal/logbook"
	"cardwright/internal/report"
)

// logbookVariable names the logbook where --logbook does not.
const logbookVariable = "CARDWRIGHT_LOGBOOK"

// namedLogbook is the logbook that the operator named; empty if none.
func (p *program) namedLogbook() string {
	if p.logbookPath != "" {
		return p.logbookPath
	}
	return p.env(logbookVariable)
}

// writingPath is the logbook that runs are recorded in.
func (p *program) writingPath() (string, error) {
	if named := p.namedLogbook(); named != "" {
		return named, nil
	}
	return logbook.DefaultPath(p.effectiveUser, p.env)
}

// readingPath is the logbook that is read from: the user's own, but root's where only that one exists.
func (p *program) readingPath() (string, error) {
	if named := p.namedLogbook(); named != "" {
		return named, nil
	}
	return logbook.ReadingPath(p.effectiveUser, p.env, func(path string) bool {
		_, err := os.Stat(path)
		return err == nil
	})
}

// openBook opens the logbook for writing, and makes it where there is none.
func (p *program) openBook(ctx context.Context) (*logbook.Book, error) {
	path, err := p.writingPath()
	if err != nil {
		return nil, err
	}
	return logbook.Open(ctx, path)
}

// openForRecording opens the logbook. One that cannot be opened stops no card: that is said at once, and the error tells the
// job why its runs are not recorded.
func (p *program) openForRecording(ctx context.Context) (book *logbook.Book, err error) {
	if book, err = p.openBook(ctx); err != nil {
		p.complain("nothing will be recorded: %v", err)
		return nil, err
	}
	return book, nil
}

// closeBook closes a logbook, if there is one.
func (p *program) closeBook(book *logbook.Book) {
	if book == nil {
		return
	}
	if err := book.Close(); err != nil {
		p.complain("the logbook could not be closed: %v", err)
	}
}

// openForReading opens the logbook and says on standard error which file that is. A logbook that does not exist yet is
// fs.ErrNotExist.
func (p *program) openForReading(ctx context.Context) (*logbook.Book, error) {
	path, err := p.readingPath()
	if err != nil {
		return nil, err
	}
	book, err := logbook.OpenReadOnly(ctx, path)
	if errors.Is(err, fs.ErrNotExist) {
		fmt.Fprintf(p.stderr, "There is no logbook at %s yet.\n", report.Printable(path))
		return nil, err
	}
	if err == nil {
		fmt.Fprintf(p.stderr, "Logbook %s\n", report.Printable(path))
	}
	return book, err
}
