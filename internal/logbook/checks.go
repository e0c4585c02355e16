package logbook

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"cardwright/internal/capacity"
	"cardwright/partition"
)

// The verdicts of a capacity check. One that was not finished has none.
const (
	CapacityTrue       = "true"
	CapacityShort      = "short"
	CapacityUnreliable = "unreliable"
)

// A CapacityCheck is one check whether a card is as large as it says: what is printed and what is stored.
type CapacityCheck struct {
	Device   string             `json:"device"`
	Label    string             `json:"label"`
	CardID   int64              `json:"card_id"`  // 0 where nothing was recorded
	CheckID  int64              `json:"check_id"` // 0 where nothing was recorded
	Leftover *capacity.Leftover `json:"leftover"` // what an interrupted check had left behind, and what became of it; null where nothing
	capacity.Result
	Findings []partition.Finding `json:"findings"`
	Error    *Failure            `json:"error"`
}

// A CapacityRecord is one check whether a card is as large as it says.
type CapacityRecord struct {
	CheckID      int64           `json:"check_id"`
	CardID       int64           `json:"card_id"`
	Device       string          `json:"device"`
	Bay          string          `json:"bay"` // as Run.Bay
	Label        string          `json:"label"`
	StartedAt    time.Time       `json:"started_at"`
	Closed       bool            `json:"closed"` // false while the check goes on, and for good where it was cut off
	Mode         string          `json:"mode"`   // "quick", "full"
	Verdict      string          `json:"verdict"`
	ClaimedBytes int64           `json:"claimed_bytes"`
	TrueBytes    *int64          `json:"true_bytes"` // null where it was not found
	Document     json.RawMessage `json:"document"`   // the CapacityCheck; an empty object until then
}

// BeginCapacity opens the record of a check, gives it its CheckID and CardID, and returns once that is on disk. The card is known
// again as by Begin; registers are nil where the reader hides them.
func (b *Book) BeginCapacity(ctx context.Context, check *CapacityRecord, registers *Registers) error {
	opened := *check
	opened.Closed, opened.Verdict, opened.TrueBytes = false, "", nil
	err := b.write(ctx, func(tx *sql.Tx) (err error) {
		m := meeting{cid: registers.knownCID(), label: check.Label, sizeBytes: check.ClaimedBytes, registers: registers}
		if opened.CardID, err = meetCard(ctx, tx, m, time.Now()); err != nil {
			return err
		}
		opened.CheckID, err = insertedID(tx.ExecContext(ctx, `INSERT INTO capacity_checks
				(card_id, device, bay, label, started_at, mode, verdict, claimed_bytes, document)
			VALUES (?, ?, ?, ?, ?, ?, '', ?, ?)`,
			opened.CardID, opened.Device, opened.Bay, opened.Label, opened.StartedAt.UTC().Format(timeLayout), opened.Mode,
			opened.ClaimedBytes, documentText(opened.Document)))
		return err
	})
	if err == nil {
		*check = opened
	}
	return err
}

// FinishCapacity closes the record of a check with its verdict, the true size and the document. A check that came to nothing has
// no verdict. ErrNoCheck when there is no such check, ErrAlreadyClosed when it was closed before, ErrUnproven for a verdict that
// does not follow from the sizes: a true card has the size it claims, a short one a smaller size.
func (b *Book) FinishCapacity(ctx context.Context, check *CapacityRecord) error {
	err := b.write(ctx, func(tx *sql.Tx) error {
		var closed bool
		var claimedBytes int64
		err := tx.QueryRowContext(ctx, `SELECT closed_at IS NOT NULL, claimed_bytes FROM capacity_checks WHERE check_id = ?`,
			check.CheckID).Scan(&closed, &claimedBytes)
		switch {
		case errors.Is(err, sql.ErrNoRows):
			return ErrNoCheck
		case err != nil:
			return err
		case closed:
			return ErrAlreadyClosed
		}
		if err := checkSized(check.Verdict, claimedBytes, check.TrueBytes); err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, `UPDATE capacity_checks SET closed_at = ?, verdict = ?, true_bytes = ?, document = ?
			WHERE check_id = ?`, time.Now().UTC().Format(timeLayout), check.Verdict, check.TrueBytes,
			documentText(check.Document), check.CheckID)
		return err
	})
	if err != nil {
		return fmt.Errorf("close capacity check %d: %w", check.CheckID, err)
	}
	check.Closed = true
	return nil
}

// checkSized keeps a card from being called what its sizes do not show.
func checkSized(verdict string, claimedBytes int64, trueBytes *int64) error {
	var follows bool
	switch verdict {
	case CapacityTrue:
		follows = trueBytes != nil && *trueBytes == claimedBytes
	case CapacityShort:
		follows = trueBytes != nil && 0 <= *trueBytes && *trueBytes < claimedBytes
	case CapacityUnreliable, "":
		follows = true
	}
	if follows {
		return nil
	}
	found := "no true size was found"
	if trueBytes != nil {
		found = fmt.Sprintf("the true size is %d bytes", *trueBytes)
	}
	return fmt.Errorf("%w: %q, of %d bytes claimed, and %s", ErrUnproven, verdict, claimedBytes, found)
}

// documentText is what is stored for a document.
func documentText(document json.RawMessage) string { return cmp.Or(string(document), "{}") }

// CapacityChecks gives the checks of a card, the latest first. ErrNoCard when there is no such card.
func (b *Book) CapacityChecks(ctx context.Context, cardID int64) ([]CapacityRecord, error) {
	err := mustBeCard(ctx, b.db, cardID)
	var checks []CapacityRecord
	if err == nil {
		checks, err = selectChecks(ctx, b.db, `card_id = ?`, cardID)
	}
	if err != nil {
		return nil, fmt.Errorf("capacity checks of card %d: %w", cardID, explained(b.path, err))
	}
	return checks, nil
}

// selectChecks gives the checks that meet a condition, the latest first.
func selectChecks(ctx context.Context, q queryer, condition string, args ...any) ([]CapacityRecord, error) {
	rows, err := q.QueryContext(ctx, `SELECT check_id, card_id, device, bay, label, started_at, closed_at IS NOT NULL, mode, verdict,
		claimed_bytes, true_bytes, document FROM capacity_checks WHERE `+condition+` ORDER BY check_id DESC`, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	checks := []CapacityRecord{}
	for rows.Next() {
		var c CapacityRecord
		var document string
		err := rows.Scan(&c.CheckID, &c.CardID, &c.Device, &c.Bay, &c.Label, (*storedTime)(&c.StartedAt), &c.Closed, &c.Mode,
			&c.Verdict, &c.ClaimedBytes, &c.TrueBytes, &document)
		if err != nil {
			return nil, err
		}
		c.Document = json.RawMessage(document)
		checks = append(checks, c)
	}
	return checks, rows.Err()
}
