package logbook

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"cardwright/internal/identity"
)

var (
	// ErrBatchInUse says that another program, or another part of this one, has the batch of that name open.
	ErrBatchInUse = errors.New("the batch is open in another program: end that one, or name another batch")
	// ErrOtherImage says that the batch of that name, which would go on, is of another image.
	ErrOtherImage = errors.New("the batch is of another image: begin it anew, or name another batch")
	// ErrLabelTaken says that a label is on a done card of the batch, or on its way to one.
	ErrLabelTaken = errors.New("the label is taken in this batch")
	// ErrNoTurn says that no turn of this number is given in the batch: there is none, or it was settled before.
	ErrNoTurn = errors.New("no such turn is given in this batch")
)

// BatchOptions say which batch to open. Name and image must be told.
type BatchOptions struct {
	Name        string
	ImageSHA256 string // of the decoded image
	Anew        bool   // begin a new batch of this name rather than go on with the latest
}

// A Batch is one image on its way to a stack of cards. As long as it is open, no other program can open a batch of its name.
// It is safe for several goroutines.
type Batch struct {
	book  *Book
	id    int64
	claim *claim
}

// A Turn is what one card of a batch gets.
type Turn struct {
	Number int64  // counts the cards of all batches of one name, from 1 on; never given twice
	Label  string // as it was told to Give, else made of the batch's name and the number: "hive-007"
	State  TurnState
	RunID  int64 // 0 while given, and where no run was recorded
}

// A TurnState says what became of a turn.
type TurnState string

// The states of a turn.
const (
	TurnGiven    TurnState = "given"    // its card is under way
	TurnDone     TurnState = "done"     // its label is on its card, for good
	TurnReturned TurnState = "returned" // its card came to nothing: its label may be given again, its number never
)

// OpenBatch goes on with the latest batch of this name, or begins one where there is none or where it is wanted anew. The
// numbers go on after those of all earlier batches of the name. Turns that a program left given when it died are
// settled: done where its run was closed as intact, else returned.
// ErrBatchInUse while another program has a batch of this name open; ErrOtherImage when the one to go on with is of another
// image.
func (b *Book) OpenBatch(ctx context.Context, o BatchOptions) (*Batch, error) {
	if o.Name == "" || o.ImageSHA256 == "" {
		return nil, errors.New("a batch needs a name, and the digest of its image")
	}
	s := &Batch{book: b}
	err := b.write(ctx, func(tx *sql.Tx) error {
		firstID, err := s.findOrInsert(ctx, tx, o)
		if err != nil {
			return err
		}
		// The claim comes before the commit, so that nothing is begun or returned while another program works. It does not wait.
		if s.claim, err = stakeClaim(b.path, firstID); err != nil {
			return err
		}
		return settleLeftTurns(ctx, tx, o.Name, time.Now())
	})
	if err != nil && s.claim != nil {
		err = errors.Join(err, s.claim.release())
	}
	if err != nil {
		return nil, fmt.Errorf("batch %q: %w", o.Name, err)
	}
	return s, nil
}

// findOrInsert settles which batch is opened, and gives the first of its name, by which the name is claimed.
func (s *Batch) findOrInsert(ctx context.Context, tx *sql.Tx, o BatchOptions) (firstID int64, err error) {
	var imageSHA256 string
	err = tx.QueryRowContext(ctx, `SELECT batch_id, image_sha256, (SELECT min(batch_id) FROM batches WHERE name = ?1)
		FROM batches WHERE name = ?1 ORDER BY batch_id DESC LIMIT 1`, o.Name).Scan(&s.id, &imageSHA256, &firstID)
	isNew := errors.Is(err, sql.ErrNoRows)
	switch {
	case err != nil && !isNew:
		return 0, err
	case !isNew && !o.Anew && imageSHA256 != o.ImageSHA256:
		return 0, ErrOtherImage
	case !isNew && !o.Anew:
		return firstID, nil
	}
	s.id, err = insertedID(tx.ExecContext(ctx, `INSERT INTO batches (name, image_sha256, begun_at) VALUES (?, ?, ?)`,
		o.Name, o.ImageSHA256, time.Now().UTC().Format(timeLayout)))
	if isNew {
		firstID = s.id
	}
	return firstID, err
}

// ID is the batch's number in the logbook: the BatchID of its runs.
func (s *Batch) ID() int64 { return s.id }

// Turns gives all turns of the batch in the order of their numbers.
func (s *Batch) Turns(ctx context.Context) ([]Turn, error) {
	turns, err := selectTurns(ctx, s.book.db, s.id)
	if err != nil {
		return nil, explained(s.book.path, err)
	}
	return turns, nil
}

// Give gives the next card its number, and the label; an empty one stands for one made of the batch's name and the number. Once
// it returned, the number is on disk and is never given again, whatever happens. ErrLabelTaken when the label is on a done card of
// the batch, or on its way to one.
func (s *Batch) Give(ctx context.Context, label string) (Turn, error) {
	var turn Turn
	err := s.write(ctx, func(tx *sql.Tx) (err error) {
		turn, err = giveTurn(ctx, tx, s.id, label, time.Now())
		return err
	})
	if err != nil {
		return Turn{}, fmt.Errorf("give a turn: %w", err)
	}
	return turn, nil
}

// Settle ends a turn: done, and its label is on the run's card from now on, or returned, and its label may be given again. runID
// is 0 where no run was recorded. ErrNoTurn when no such turn is given, ErrNotFound when the batch has no such run, ErrUnproven
// when a run that was closed otherwise than intact is called done.
func (s *Batch) Settle(ctx context.Context, number, runID int64, done bool) error {
	err := s.write(ctx, func(tx *sql.Tx) error {
		turn := Turn{Number: number, RunID: runID, State: TurnReturned}
		if done {
			turn.State = TurnDone
		}
		return settleTurn(ctx, tx, s.id, turn, time.Now())
	})
	if err != nil {
		return fmt.Errorf("settle turn %d: %w", number, err)
	}
	return nil
}

// DoneCard gives the run of a done card of this batch that has this CID, or whose content had this imprint's digest when its
// run left it. ErrNotFound when there is none; a card on which any flash was begun since is none, and where both CIDs are known
// they alone count.
func (s *Batch) DoneCard(ctx context.Context, cid, imprintDigest string) (*Record, error) {
	record, err := selectDoneCard(ctx, s.book.db, s.id, identity.TellingCID(cid), imprintDigest)
	if err != nil {
		return nil, fmt.Errorf("done cards: %w", explained(s.book.path, err))
	}
	return record, nil
}

// Close lets other programs open the batch. It may be called twice. Turns that are still given are settled when the batch is
// next opened.
func (s *Batch) Close() error { return s.claim.release() }

// write carries out one transaction of the program that has the batch open.
func (s *Batch) write(ctx context.Context, change func(*sql.Tx) error) error {
	return s.book.write(ctx, func(tx *sql.Tx) error {
		if err := change(tx); err != nil {
			return err
		}
		return s.claim.check()
	})
}
