package logbook

import (
	"context"
	"errors"

	"cardwright/flash"
	"cardwright/flash/source"
)

var (
	// ErrNotFound says that the logbook has no such run.
	ErrNotFound = errors.New("no such run in the logbook")
	// ErrReadOnly says that this logbook was opened for reading only.
	ErrReadOnly = errors.New("the logbook is open for reading only")
	// ErrNotALogbook says that the file is no logbook, or one of a newer program.
	ErrNotALogbook = errors.New("not a logbook this program can use")
)

// A Book is an open logbook. It is safe for several goroutines.
type Book struct{}

// Open opens the logbook at path, makes its folder and the file where they are missing, and brings its tables up to date.
func Open(ctx context.Context, path string) (*Book, error) { return nil, errors.New("not written yet") }

// OpenReadOnly opens an existing logbook for reading. A missing file is fs.ErrNotExist.
func OpenReadOnly(ctx context.Context, path string) (*Book, error) {
	return nil, errors.New("not written yet")
}

// Close writes everything out and closes the file.
func (b *Book) Close() error { return nil }

// Begin opens the run's record, gives it its RunID and CardID, and returns once that is on disk. A card is known again by
// its CID, else by its label; without either each run is a card of its own.
func (b *Book) Begin(ctx context.Context, run *Run, image source.Facts) error {
	return errors.New("not written yet")
}

// Finish closes the run's record with its outcome, the image as it turned out, and the trace of its writing.
func (b *Book) Finish(ctx context.Context, run *Run, image source.Facts, trace []flash.Sample) error {
	return errors.New("not written yet")
}

// A Filter narrows a list; its zero value takes the latest 50 runs of all cards.
type Filter struct {
	Label string // only runs of the card with this label
	Limit int    // at most so many, the latest first; 0 is 50
}

// List gives the latest runs first. A run that was never closed has verdict unfinished.
func (b *Book) List(ctx context.Context, f Filter) ([]Record, error) {
	return nil, errors.New("not written yet")
}

// Show gives one run. ErrNotFound when there is none of that number.
func (b *Book) Show(ctx context.Context, runID int64) (*Record, error) {
	return nil, errors.New("not written yet")
}

// Trace gives the samples of one run's writing, in the order of writing.
func (b *Book) Trace(ctx context.Context, runID int64) ([]flash.Sample, error) {
	return nil, errors.New("not written yet")
}

// Peers gives the traces that a run on this card is held against: of each other known card (by CID or label) written in
// the same bay, the latest intact flash that its source did not limit; of the same maker, OEM, name, revision and capacity
// where the run has a CID, else with the same image (by image digest, else packed digest, else name and size). A card is
// never its own peer, and a card without CID and label is nobody's.
func (b *Book) Peers(ctx context.Context, run *Run, image source.Facts) ([][]flash.Sample, error) {
	return nil, errors.New("not written yet")
}
