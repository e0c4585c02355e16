package logbook

import (
	"context"
	"database/sql"
)

// A queryer reads, inside a transaction or outside.
type queryer interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}
