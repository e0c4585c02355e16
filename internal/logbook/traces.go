package logbook

import (
	"context"
	"database/sql"
	"time"

	"cardwright/flash"
)

// insertTrace keeps the samples of a run in the order given.
func insertTrace(ctx context.Context, tx *sql.Tx, runID int64, trace []flash.Sample) error {
	insert, err := tx.PrepareContext(ctx, `INSERT INTO traces (run_id, seq, offset_bytes, length_bytes, start_ns, busy_ns)
		VALUES (?, ?, ?, ?, ?, ?)`)
	if err != nil {
		return err
	}
	defer insert.Close()
	for seq, sample := range trace {
		_, err := insert.ExecContext(ctx, runID, seq, sample.OffsetBytes, sample.LengthBytes,
			sample.Start.Nanoseconds(), sample.Busy.Nanoseconds())
		if err != nil {
			return err
		}
	}
	return nil
}

// selectTrace gives the samples of a run in the order of writing.
func selectTrace(ctx context.Context, q queryer, runID int64) ([]flash.Sample, error) {
	traces, err := scanTraces(q.QueryContext(ctx, `SELECT run_id, offset_bytes, length_bytes, start_ns, busy_ns
		FROM traces WHERE run_id = ? ORDER BY seq`, runID))
	if err != nil || len(traces) == 0 {
		return nil, err
	}
	return traces[0], nil
}

// scanTraces reads rows that stand run by run, and gives one trace for each run.
func scanTraces(rows *sql.Rows, err error) ([][]flash.Sample, error) {
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var traces [][]flash.Sample
	var lastRunID int64 // no run has number 0
	for rows.Next() {
		var runID, startNanos, busyNanos int64
		var sample flash.Sample
		if err := rows.Scan(&runID, &sample.OffsetBytes, &sample.LengthBytes, &startNanos, &busyNanos); err != nil {
			return nil, err
		}
		sample.Start, sample.Busy = time.Duration(startNanos), time.Duration(busyNanos)
		if runID != lastRunID {
			traces, lastRunID = append(traces, nil), runID
		}
		traces[len(traces)-1] = append(traces[len(traces)-1], sample)
	}
	return traces, rows.Err()
}
