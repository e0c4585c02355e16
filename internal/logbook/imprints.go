package logbook

import (
	"context"
	"fmt"
)

// isProvenFlash is the condition under which a run tells what it left on its card. No open run is intact.
const isProvenFlash = `runs.operation = 'flash' AND runs.verdict = 'intact'`

// Untouched gives the latest intact run that left a card with this imprint's digest. The digest is one of content: the card
// at hand may be another one, but then it holds the same. ErrNotFound when there is none.
func (b *Book) Untouched(ctx context.Context, imprintDigest string) (*Record, error) {
	return b.latestBy(ctx, "imprint", imprintDigest)
}

// SameImage gives the latest intact run that left a card with an imprint of this identity: the same image, though it was
// booted or changed since. ErrNotFound when there is none.
func (b *Book) SameImage(ctx context.Context, identity string) (*Record, error) {
	return b.latestBy(ctx, "imprint_identity", identity)
}

// latestBy gives the latest intact run with this value, which is not empty, in a column.
func (b *Book) latestBy(ctx context.Context, column, value string) (*Record, error) {
	record, err := oneRecord(b.db.QueryRowContext(ctx, `SELECT `+runColumns+` FROM runs
		WHERE runs.`+column+` = ? AND runs.`+column+` <> '' AND `+isProvenFlash+`
		ORDER BY run_id DESC LIMIT 1`, value))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", column, explained(b.path, err))
	}
	return record, nil
}
