package logbook

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"time"

	"cardwright/flash/source"
	"cardwright/partition"
)

// timeLayout is RFC 3339 with all nine decimals, so that text order is time order.
const timeLayout = "2006-01-02T15:04:05.000000000Z07:00"

// runColumns is what every reading of a run takes, in the order of scanRecord.
const runColumns = `runs.run_id, runs.card_id, runs.closed_at IS NOT NULL, runs.document, runs.image_document`

// insertRun opens the record: the columns that are known before the first write, and the run as it stands. It gives the
// run its number.
func insertRun(ctx context.Context, tx *sql.Tx, run *Run, imageID int64, image source.Facts) error {
	runID, err := insertedID(tx.ExecContext(ctx, `INSERT INTO runs
			(card_id, image_id, operation, device, bay, label, started_at, verdict, pace, source_limited,
			document, image_document, batch_id)
		VALUES (?, ?, ?, ?, ?, ?, ?, 'unfinished', '', 0, '{}', '{}', nullif(?, 0))`,
		run.CardID, imageID, string(run.Operation), run.Device, run.Bay(), run.Label,
		run.StartedAt.UTC().Format(timeLayout), run.BatchID))
	if err != nil {
		return err
	}
	run.RunID = runID
	return storeDocuments(ctx, tx, run, image)
}

// closeRun writes the outcome.
func closeRun(ctx context.Context, tx *sql.Tx, run *Run, imageID int64, image source.Facts, now time.Time) error {
	var sustained *float64
	if run.Write != nil {
		sustained = &run.Write.SustainedBytesPerSecond
	}
	var imprint partition.Imprint
	if run.Imprint != nil {
		imprint = *run.Imprint
	}
	_, err := tx.ExecContext(ctx, `UPDATE runs SET image_id = ?, device = ?, bay = ?, closed_at = ?,
			verdict = ?, pace = ?, time_to_flash_s = ?, time_to_proven_s = ?, source_wait_s = ?,
			sustained_bytes_per_s = ?, source_limited = ?, bus_limited = ?, skip_free = ?, imprint = ?,
			imprint_identity = ?
		WHERE run_id = ?`,
		imageID, run.Device, run.Bay(), now.UTC().Format(timeLayout),
		string(run.Verdict), string(run.Pace), run.TimeToFlashSeconds, run.TimeToProvenSeconds, run.SourceWaitSeconds,
		sustained, run.Conditions.SourceWasTheLimit, run.Conditions.BusWasTheLimit, run.Conditions.SkipFree, imprint.Digest,
		imprint.Identity, run.RunID)
	if err != nil {
		return err
	}
	return storeDocuments(ctx, tx, run, image)
}

// storeDocuments writes the run and its image as they are printed.
func storeDocuments(ctx context.Context, tx *sql.Tx, run *Run, image source.Facts) error {
	document, err := json.Marshal(run)
	if err != nil {
		return err
	}
	imageDocument, err := json.Marshal(image)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `UPDATE runs SET document = ?, image_document = ? WHERE run_id = ?`,
		string(document), string(imageDocument), run.RunID)
	return err
}

// A rowKeys is what a run's row points at.
type rowKeys struct{ cardID, imageID int64 }

// openRow gives the keys of a run whose record is open.
func openRow(ctx context.Context, q queryer, runID int64) (rowKeys, error) {
	var keys rowKeys
	var closed bool
	err := q.QueryRowContext(ctx, `SELECT card_id, image_id, closed_at IS NOT NULL FROM runs WHERE run_id = ?`, runID).
		Scan(&keys.cardID, &keys.imageID, &closed)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return keys, ErrNotFound
	case err == nil && closed:
		return keys, ErrAlreadyClosed
	}
	return keys, err
}

// showRun gives one run, or ErrNotFound.
func showRun(ctx context.Context, q queryer, runID int64) (*Record, error) {
	return oneRecord(q.QueryRowContext(ctx, `SELECT `+runColumns+` FROM runs WHERE run_id = ?`, runID))
}

// oneRecord gives the run that a query of runColumns found, or ErrNotFound.
func oneRecord(row *sql.Row) (*Record, error) {
	record, err := scanRecord(row)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, ErrNotFound
	}
	return record, err
}

// listRuns gives the latest runs first.
func listRuns(ctx context.Context, q queryer, f Filter) ([]Record, error) {
	rows, err := q.QueryContext(ctx, `SELECT `+runColumns+` FROM runs JOIN cards USING (card_id)
		WHERE (?1 = '' OR cards.label = ?1) AND ?2 IN (0, runs.card_id) ORDER BY run_id DESC LIMIT ?3`, f.Label, f.CardID, f.Limit)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	records := []Record{}
	for rows.Next() {
		record, err := scanRecord(rows)
		if err != nil {
			return nil, err
		}
		records = append(records, *record)
	}
	return records, rows.Err()
}

// scanRecord reads one row of runColumns. A record that was never closed says unfinished, whatever it was opened with.
func scanRecord(row interface{ Scan(...any) error }) (*Record, error) {
	var (
		runID, cardID           int64
		closed                  bool
		document, imageDocument []byte
		record                  Record
	)
	if err := row.Scan(&runID, &cardID, &closed, &document, &imageDocument); err != nil {
		return nil, err
	}
	if err := json.Unmarshal(document, &record.Run); err != nil {
		return nil, err
	}
	if err := json.Unmarshal(imageDocument, &record.Image); err != nil {
		return nil, err
	}
	record.RunID, record.CardID = runID, cardID
	if !closed {
		record.Verdict = Unfinished
	}
	return &record, nil
}
