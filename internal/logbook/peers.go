package logbook

import (
	"context"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/identity"
)

// maxPeers bounds how many traces are held in memory at once.
const maxPeers = 200

// isOwnRate is the condition under which a run's rate is that of its card.
const isOwnRate = `runs.source_limited = 0 AND runs.bus_limited = 0`

// selectPeers gives the traces of the peers of a run on cardID (0: a card never met), the latest run first.
func selectPeers(ctx context.Context, q queryer, run *Run, cardID int64, image source.Facts) ([][]flash.Sample, error) {
	kinship, err := kinshipOf(ctx, q, run, image)
	if kinship == nil || err != nil {
		return nil, err
	}
	args := append([]any{run.Bay(), cardID, maxPeers, run.Conditions.SkipFree}, kinship.args...)
	return scanTraces(q.QueryContext(ctx, `WITH peers AS (
			SELECT max(run_id) AS run_id FROM runs JOIN cards USING (card_id)
			WHERE runs.bay = ?1 AND runs.card_id <> ?2 AND (cards.cid <> '' OR cards.label <> '')
			AND `+isProvenFlash+` AND `+isOwnRate+` AND runs.skip_free = ?4
			AND `+kinship.condition+`
			AND EXISTS (SELECT 1 FROM traces WHERE traces.run_id = runs.run_id)
			GROUP BY card_id ORDER BY 1 DESC LIMIT ?3)
		SELECT run_id, offset_bytes, length_bytes, start_ns, busy_ns
		FROM peers JOIN traces USING (run_id) ORDER BY run_id DESC, seq`, args...))
}

// A kinship is what makes another card comparable, as a condition over runs and cards. Its parameters start at ?5.
type kinship struct {
	condition string
	args      []any
}

// kinshipOf gives the kinship for a run, or nil where too little is known to call any card comparable.
func kinshipOf(ctx context.Context, q queryer, run *Run, image source.Facts) (*kinship, error) {
	if cid := meetingOf(run).cid; cid != "" {
		if run.Conditions.CardSizeBytes <= 0 {
			return nil, nil
		}
		return &kinship{
			condition: `cards.product = ?5 AND cards.product <> '' AND cards.size_bytes = ?6`,
			args:      []any{identity.Product(cid), run.Conditions.CardSizeBytes},
		}, nil
	}
	imageID, err := findImage(ctx, q, image)
	if imageID == 0 || err != nil {
		return nil, err
	}
	return &kinship{condition: `runs.image_id = ?5`, args: []any{imageID}}, nil
}
