package logbook

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"time"

	"cardwright/internal/identity"
)

// A meeting is what is known of a card at hand. Text is empty and a size 0 where it is not known.
type meeting struct {
	cid       string // as identity.TellingCID gives it
	label     string // on the card now
	sizeBytes int64
	registers *Registers // nil where the reader hides them
}

// meetingOf gives what a run knows of its card.
func meetingOf(run *Run) meeting {
	m := meeting{label: labelOnCard(run), sizeBytes: run.Conditions.CardSizeBytes, registers: run.Registers}
	m.cid = cmp.Or(identity.TellingCID(run.Conditions.CardRegisterCID), m.registers.knownCID())
	return m
}

// labelOnCard is the label that a run finds on its card. In a batch a label is stuck on only when its turn is done, so that a
// card which comes to nothing does not take along the label that the next one gets.
func labelOnCard(run *Run) string {
	if run.BatchID != 0 {
		return ""
	}
	return run.Label
}

// findCard gives the card that is met: the one with its CID, else the one with its label that was met last and is not known to
// have another CID. 0 when it was never met.
func findCard(ctx context.Context, q queryer, m meeting) (int64, error) {
	if m.cid != "" {
		cardID, err := oneID(q.QueryRowContext(ctx, `SELECT card_id FROM cards WHERE `+isCardWithCID+`
			ORDER BY cid = ?1 DESC, met DESC LIMIT 1`, m.cid))
		if cardID != 0 || err != nil {
			return cardID, err
		}
	}
	if m.label == "" {
		return 0, nil
	}
	// With a CID, a card of this label whose CID was never read is this one; one with another CID is not.
	return oneID(q.QueryRowContext(ctx, `SELECT card_id FROM cards
		WHERE label = ?1 AND label <> '' AND (?2 = '' OR cid = '') ORDER BY met DESC LIMIT 1`, m.label, m.cid))
}

// isCardWithCID is the condition on cards that theirs is the CID ?1. The last byte does not count: hosts deliver the checksum in it, or
// leave it out, or clear its last bit, and a card is the same in all of them.
const isCardWithCID = `substr(cards.cid, 1, 30) = substr(?1, 1, 30) AND cards.cid <> '' AND ?1 <> ''`

// meetCard gives the card that is met, known again or new, and keeps what is told of it now.
func meetCard(ctx context.Context, tx *sql.Tx, m meeting, now time.Time) (int64, error) {
	cardID, err := findCard(ctx, tx, m)
	if err == nil && cardID == 0 {
		cardID, err = insertedID(tx.ExecContext(ctx, `INSERT INTO cards (cid, product, label, size_bytes) VALUES ('', '', '', 0)`))
	}
	if err != nil {
		return 0, err
	}
	_, err = tx.ExecContext(ctx, `UPDATE cards SET met = 1 + (SELECT max(met) FROM cards),
			cid = iif(?1 <> '', ?1, cid), product = iif(?1 <> '', ?2, product), size_bytes = iif(?3 > 0, ?3, size_bytes)
		WHERE card_id = ?4`, m.cid, identity.Product(m.cid), m.sizeBytes, cardID)
	if err != nil {
		return 0, err
	}
	if err := stickLabel(ctx, tx, cardID, m.label); err != nil {
		return 0, err
	}
	return cardID, keepRegisters(ctx, tx, cardID, m.registers, now)
}

// stickLabel notes that a label is on a card from now on; an empty one changes nothing.
func stickLabel(ctx context.Context, tx *sql.Tx, cardID int64, label string) error {
	if label == "" {
		return nil
	}
	if _, err := tx.ExecContext(ctx, `UPDATE cards SET label = ? WHERE card_id = ?`, label, cardID); err != nil {
		return err
	}
	_, err := tx.ExecContext(ctx, `INSERT INTO labels (card_id, label) VALUES (?, ?) ON CONFLICT DO NOTHING`, cardID, label)
	return err
}

// mustBeCard says ErrNoCard where the logbook has no card of this number.
func mustBeCard(ctx context.Context, q queryer, cardID int64) error {
	found, err := oneID(q.QueryRowContext(ctx, `SELECT card_id FROM cards WHERE card_id = ?`, cardID))
	if err == nil && found == 0 {
		return ErrNoCard
	}
	return err
}

// oneID gives the number a query found, or 0 when it found no row.
func oneID(row *sql.Row) (int64, error) {
	var id int64
	err := row.Scan(&id)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, nil
	}
	return id, err
}

// insertedID gives the number of the row that was inserted.
func insertedID(result sql.Result, err error) (int64, error) {
	if err != nil {
		return 0, err
	}
	return result.LastInsertId()
}
