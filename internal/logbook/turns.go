package logbook

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// giveTurn gives the number after the highest of all batches of the batch's name. Where no label is told, one is made of that
// name and the number.
func giveTurn(ctx context.Context, tx *sql.Tx, batchID int64, label string, now time.Time) (Turn, error) {
	var taken bool
	var name string
	turn := Turn{Label: label, State: TurnGiven}
	err := tx.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM turns
			WHERE batch_id = ?1 AND label = ?2 AND label <> '' AND state <> 'returned'),
		1 + max((SELECT coalesce(max(number), 0) FROM turns WHERE turns.batch_id = batches.batch_id)), name
		FROM batches WHERE name = (SELECT name FROM batches WHERE batch_id = ?1)`, batchID, label).Scan(&taken, &turn.Number, &name)
	if err != nil {
		return Turn{}, err
	}
	if taken {
		return Turn{}, ErrLabelTaken
	}
	if label == "" {
		turn.Label = fmt.Sprintf("%s-%03d", name, turn.Number)
	}
	_, err = tx.ExecContext(ctx, `INSERT INTO turns (batch_id, number, label, state, given_at) VALUES (?, ?, ?, 'given', ?)`,
		batchID, turn.Number, turn.Label, now.UTC().Format(timeLayout))
	return turn, err
}

// settleTurn ends a given turn. A done one sticks its label onto the card of its run.
func settleTurn(ctx context.Context, tx *sql.Tx, batchID int64, turn Turn, now time.Time) error {
	var cardID int64
	if turn.RunID != 0 {
		var mayBeDone bool // a run whose end could not be recorded was told to the operator all the same
		err := tx.QueryRowContext(ctx, `SELECT card_id, closed_at IS NULL OR verdict = 'intact' FROM runs
			WHERE run_id = ? AND batch_id = ?`, turn.RunID, batchID).Scan(&cardID, &mayBeDone)
		switch {
		case errors.Is(err, sql.ErrNoRows):
			return ErrNotFound
		case err != nil:
			return err
		case turn.State == TurnDone && !mayBeDone:
			return ErrUnproven
		}
	}
	err := tx.QueryRowContext(ctx, `UPDATE turns SET state = ?, run_id = nullif(?, 0), settled_at = ?
		WHERE batch_id = ? AND number = ? AND state = 'given' RETURNING label`,
		string(turn.State), turn.RunID, now.UTC().Format(timeLayout), batchID, turn.Number).Scan(&turn.Label)
	if errors.Is(err, sql.ErrNoRows) {
		return ErrNoTurn
	}
	if err != nil || turn.State != TurnDone || cardID == 0 {
		return err
	}
	return stickLabel(ctx, tx, cardID, turn.Label)
}

// settleLeftTurns ends the turns of all batches of a name, when it is known that nobody works on them any more: a card whose run was
// closed as intact is done, though its program died before it could say so, and all others came to nothing.
func settleLeftTurns(ctx context.Context, tx *sql.Tx, name string, now time.Time) error {
	left, err := intactTurns(ctx, tx, name)
	if err != nil {
		return err
	}
	for _, l := range left {
		if err := settleTurn(ctx, tx, l.batchID, l.turn, now); err != nil {
			return err
		}
	}
	_, err = tx.ExecContext(ctx, `UPDATE turns SET state = 'returned', settled_at = ?
		WHERE batch_id IN (SELECT batch_id FROM batches WHERE name = ?) AND state = 'given'`,
		now.UTC().Format(timeLayout), name)
	return err
}

// A leftTurn is a turn that was never settled, as it is to be settled.
type leftTurn struct {
	batchID int64
	turn    Turn
}

// intactTurns gives the given turns of a name whose cards are intact.
func intactTurns(ctx context.Context, tx *sql.Tx, name string) ([]leftTurn, error) {
	rows, err := tx.QueryContext(ctx, `SELECT turns.batch_id, turns.number, max(runs.run_id)
		FROM turns JOIN runs ON runs.batch_id = turns.batch_id AND json_extract(runs.document, '$.number') = turns.number
		WHERE turns.state = 'given' AND `+isProvenFlash+`
		AND turns.batch_id IN (SELECT batch_id FROM batches WHERE name = ?) GROUP BY turns.batch_id, turns.number`, name)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var left []leftTurn
	for rows.Next() {
		l := leftTurn{turn: Turn{State: TurnDone}}
		if err := rows.Scan(&l.batchID, &l.turn.Number, &l.turn.RunID); err != nil {
			return nil, err
		}
		left = append(left, l)
	}
	return left, rows.Err()
}

// selectTurns gives the turns of a batch in the order of their numbers.
func selectTurns(ctx context.Context, q queryer, batchID int64) ([]Turn, error) {
	rows, err := q.QueryContext(ctx, `SELECT number, label, state, coalesce(run_id, 0) FROM turns
		WHERE batch_id = ? ORDER BY number`, batchID)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var turns []Turn
	for rows.Next() {
		var turn Turn
		if err := rows.Scan(&turn.Number, &turn.Label, &turn.State, &turn.RunID); err != nil {
			return nil, err
		}
		turns = append(turns, turn)
	}
	return turns, rows.Err()
}

// selectDoneCard gives the latest run of a done card with this CID or imprint, or ErrNotFound. A later flash of the card, though
// it failed, has made another card of it.
func selectDoneCard(ctx context.Context, q queryer, batchID int64, cid, imprintDigest string) (*Record, error) {
	return oneRecord(q.QueryRowContext(ctx, `SELECT `+runColumns+`
		FROM turns JOIN runs USING (run_id) JOIN cards USING (card_id)
		WHERE turns.batch_id = ?2 AND turns.state = 'done' AND `+isProvenFlash+`
		AND (`+isCardWithCID+` OR ?3 <> '' AND runs.imprint = ?3 AND (?1 = '' OR cards.cid = ''))
		AND NOT EXISTS (SELECT 1 FROM runs AS later WHERE later.card_id = runs.card_id AND later.run_id > runs.run_id
			AND later.operation = 'flash' AND later.verdict <> 'refused')
		ORDER BY turns.number DESC LIMIT 1`, cid, batchID, imprintDigest))
}
