package logbook

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"time"

	"cardwright/flash"
	"cardwright/flash/source"
)

var (
	// ErrNotFound says that the logbook has no such run.
	ErrNotFound = errors.New("no such run in the logbook")
	// ErrNoCard says that the logbook has no such card.
	ErrNoCard = errors.New("no such card in the logbook")
	// ErrNoCheck says that the logbook has no such capacity check.
	ErrNoCheck = errors.New("no such capacity check in the logbook")
	// ErrAlreadyClosed says that the record was closed before; what it says stays.
	ErrAlreadyClosed = errors.New("the record is closed already")
	// ErrUnproven says that a verdict does not follow from the proof that its record holds.
	ErrUnproven = errors.New("the verdict does not follow from a completed proof")
	// ErrReadOnly says that this logbook was opened for reading only.
	ErrReadOnly = errors.New("the logbook is open for reading only")
	// ErrNotALogbook says that the file is no logbook, or one of a newer program.
	ErrNotALogbook = errors.New("not a logbook this program can use")
)

// A Book is an open logbook. It is safe for several goroutines.
type Book struct {
	db       *sql.DB // one connection: the calls of one program take turns, those of several are ordered by SQLite
	path     string  // as it was named
	file     os.FileInfo
	patience time.Duration // how long a change waits for another program
	readOnly bool
}

// Open opens the logbook at path, makes its folder and the file where they are missing, and brings its tables up to date.
// A file that is no logbook, or one of a newer program, is ErrNotALogbook and stays as it is.
func Open(ctx context.Context, path string) (*Book, error) {
	db, err := openForWriting(ctx, path)
	if err != nil {
		return nil, explained(path, err)
	}
	file, err := os.Stat(path)
	if err != nil {
		return nil, explained(path, errors.Join(err, db.Close()))
	}
	return &Book{db: db, path: path, file: file, patience: patience}, nil
}

// OpenReadOnly opens an existing logbook for reading. A missing file is fs.ErrNotExist. It needs no right to write to the
// file or its folder, so that anyone may read root's logbook.
func OpenReadOnly(ctx context.Context, path string) (*Book, error) {
	db, err := openForReading(ctx, path)
	if err != nil {
		return nil, explained(path, err)
	}
	return &Book{db: db, path: path, readOnly: true}, nil
}

// Close writes everything out and closes the file.
func (b *Book) Close() error { return b.db.Close() }

// Begin opens the run's record, gives it its RunID and CardID, and returns once that is on disk. A card is known again by
// its CID, else by its label; without either each run is a card of its own. In a batch no label is on the card yet.
func (b *Book) Begin(ctx context.Context, run *Run, image source.Facts) error {
	opened := *run
	err := b.write(ctx, func(tx *sql.Tx) error {
		cardID, err := meetCard(ctx, tx, meetingOf(run), time.Now())
		if err != nil {
			return err
		}
		imageID, err := meetImage(ctx, tx, image)
		if err != nil {
			return err
		}
		opened.CardID = cardID
		return insertRun(ctx, tx, &opened, imageID, image)
	})
	if err != nil {
		return err // a report has little room for the cause, and says by itself which card it is
	}
	run.RunID, run.CardID = opened.RunID, opened.CardID
	return nil
}

// Finish closes the run's record with its outcome, the image as it turned out, and the trace of its writing: all of it or
// nothing. ErrNotFound when there is no such run, ErrAlreadyClosed when it was closed before, ErrUnproven when it is called
// intact or damaged without a proof that says so.
func (b *Book) Finish(ctx context.Context, run *Run, image source.Facts, trace []flash.Sample) error {
	if err := checkProven(run); err != nil {
		return fmt.Errorf("close run %d: %w", run.RunID, err)
	}
	err := b.write(ctx, func(tx *sql.Tx) error {
		row, err := openRow(ctx, tx, run.RunID)
		if err != nil {
			return err
		}
		imageID, err := settleImage(ctx, tx, row.imageID, image)
		if err != nil {
			return err
		}
		closed := *run
		closed.CardID = row.cardID
		if err := closeRun(ctx, tx, &closed, imageID, image, time.Now()); err != nil {
			return err
		}
		if err := dropImageWithoutRuns(ctx, tx, row.imageID); err != nil {
			return err
		}
		return insertTrace(ctx, tx, run.RunID, trace)
	})
	if err != nil {
		return fmt.Errorf("close run %d: %w", run.RunID, err)
	}
	return nil
}

// A Filter narrows a list; its zero value takes the latest 50 runs of all cards.
type Filter struct {
	Label  string // only runs of the card with this label
	CardID int64  // only runs of this card; 0: of all
	Limit  int    // at most so many, the latest first; 0 is 50
}

// List gives the latest runs first. A run that was never closed has verdict unfinished.
func (b *Book) List(ctx context.Context, f Filter) ([]Record, error) {
	if f.Limit == 0 {
		f.Limit = 50
	}
	records, err := listRuns(ctx, b.db, f)
	if err != nil {
		return nil, explained(b.path, err)
	}
	return records, nil
}

// Show gives one run. ErrNotFound when there is none of that number.
func (b *Book) Show(ctx context.Context, runID int64) (*Record, error) {
	record, err := showRun(ctx, b.db, runID)
	if err != nil {
		return nil, fmt.Errorf("run %d: %w", runID, explained(b.path, err))
	}
	return record, nil
}

// Trace gives the samples of one run's writing, in the order of writing. A run that was not closed, or wrote nothing, has
// none.
func (b *Book) Trace(ctx context.Context, runID int64) ([]flash.Sample, error) {
	samples, err := selectTrace(ctx, b.db, runID)
	if err != nil {
		return nil, fmt.Errorf("trace of run %d: %w", runID, explained(b.path, err))
	}
	return samples, nil
}

// Peers gives the traces that a run on this card is held against: of each other known card (by CID or label) written in
// the same bay, the latest intact flash that neither its source nor its bus limited; of the same maker, OEM, name, revision and
// capacity where the run has a CID, else with the same image (by image digest, else packed digest, else name and size). Runs
// that leave out free blocks are held against their like alone. A card is never its own peer, and a card without CID and label
// is nobody's. At most 200 traces are given, those of the latest runs.
func (b *Book) Peers(ctx context.Context, run *Run, image source.Facts) ([][]flash.Sample, error) {
	cardID := run.CardID
	if cardID == 0 {
		var err error
		if cardID, err = findCard(ctx, b.db, meetingOf(run)); err != nil {
			return nil, explained(b.path, err)
		}
	}
	peers, err := selectPeers(ctx, b.db, run, cardID, image)
	if err != nil {
		return nil, explained(b.path, err)
	}
	return peers, nil
}

// write carries out one transaction. When it returns nil, the change is on disk, in the file that the path names.
func (b *Book) write(ctx context.Context, change func(*sql.Tx) error) error {
	if b.readOnly {
		return ErrReadOnly
	}
	tx, err := begin(ctx, b.db, b.patience)
	if err != nil {
		return explained(b.path, err)
	}
	err = change(tx)
	if err == nil {
		err = b.inPlace()
	}
	if err != nil {
		return explained(b.path, errors.Join(err, tx.Rollback()))
	}
	return explained(b.path, tx.Commit())
}

// inPlace says whether the path still names the file that was opened.
func (b *Book) inPlace() error {
	if file, err := os.Stat(b.path); err != nil || !os.SameFile(file, b.file) {
		return ErrMoved
	}
	return nil
}

// checkProven keeps a run from being called what its proof does not show.
func checkProven(run *Run) error {
	switch {
	case run.Verdict != Intact && run.Verdict != Damaged:
		return nil
	case run.Proof == nil:
		return fmt.Errorf("%w: %s, but nothing was read back", ErrUnproven, run.Verdict)
	case (run.Verdict == Intact) != (len(run.Proof.Damage) == 0):
		return fmt.Errorf("%w: %s, with %d damaged places", ErrUnproven, run.Verdict, len(run.Proof.Damage))
	}
	return nil
}
