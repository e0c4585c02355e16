package logbook

import (
	"context"
	"database/sql"
	"encoding/hex"
	"errors"
	"strings"
)

// findCard gives the card that a run is on: the one with its CID, else the latest with its label that is not known to have
// another CID. 0 when it was never met.
func findCard(ctx context.Context, q queryer, run *Run) (int64, error) {
	cid := knownCID(run.Conditions.CardRegisterCID)
	if cid != "" {
		cardID, err := oneID(q.QueryRowContext(ctx, `SELECT card_id FROM cards WHERE cid = ? AND cid <> ''`, cid))
		if cardID != 0 || err != nil {
			return cardID, err
		}
	}
	label := labelOnCard(run)
	if label == "" {
		return 0, nil
	}
	// With a CID, a card of this label whose CID was never read is this one; one with another CID is not.
	return oneID(q.QueryRowContext(ctx, `SELECT card_id FROM cards
		WHERE label = ?1 AND label <> '' AND (?2 = '' OR cid = '')
		ORDER BY (SELECT max(run_id) FROM runs WHERE runs.card_id = cards.card_id) DESC LIMIT 1`, label, cid))
}

// labelOnCard is the label that a run finds on its card. In a batch a label is stuck on only when its turn is done, so that a
// card which comes to nothing does not take along the label that the next one gets.
func labelOnCard(run *Run) string {
	if run.BatchID != 0 {
		return ""
	}
	return run.Label
}

// cardOf gives the card that a run is on, known again or new, and keeps what this run tells about it.
func cardOf(ctx context.Context, tx *sql.Tx, run *Run) (int64, error) {
	cardID, err := findCard(ctx, tx, run)
	if err != nil {
		return 0, err
	}
	cid := knownCID(run.Conditions.CardRegisterCID)
	if cardID == 0 {
		return insertedID(tx.ExecContext(ctx, `INSERT INTO cards (cid, series, label, size_bytes) VALUES (?, ?, ?, ?)`,
			cid, series(cid), labelOnCard(run), run.Conditions.CardSizeBytes))
	}
	_, err = tx.ExecContext(ctx, `UPDATE cards SET
			cid = iif(?1 <> '', ?1, cid), series = iif(?1 <> '', ?2, series),
			label = iif(?3 <> '', ?3, label), size_bytes = iif(?4 > 0, ?4, size_bytes)
		WHERE card_id = ?5`, cid, series(cid), labelOnCard(run), run.Conditions.CardSizeBytes, cardID)
	return cardID, err
}

// knownCID gives the CID in the one form that is stored, or "" for a text that is no CID. A register of zeros or ones only
// is what a reader gives that could not read it, and tells no card from another.
func knownCID(cid string) string {
	raw, err := hex.DecodeString(cid)
	if err != nil || len(raw) != 16 || strings.Trim(cid, "0") == "" || strings.Trim(cid, "fF") == "" {
		return ""
	}
	return strings.ToLower(cid)
}

// series is the part of a CID that cards of one product share. SD cards (Physical Layer Specification 4.10, table 5-2)
// keep maker, OEM, a name of five letters and the revision in the first 9 bytes. An eMMC (JESD84-B51, 7.2) has a name of
// six letters, so it takes 10; its second byte is 0 to 2, where an SD card's is a letter.
func series(cid string) string {
	raw, err := hex.DecodeString(cid)
	if err != nil || len(raw) != 16 {
		return ""
	}
	const sdBytes, mmcBytes = 9, 10
	sixthLetter := raw[8]
	if raw[1] <= 2 && sixthLetter >= 0x20 && sixthLetter < 0x7f {
		return cid[:2*mmcBytes]
	}
	return cid[:2*sdBytes]
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
