package logbook

import (
	"context"
	"database/sql"
	"fmt"
	"time"
)

// A queryer reads, inside a transaction or outside.
type queryer interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// A storedTime reads a time as timeLayout writes it.
type storedTime time.Time

// Scan reads the text of a column.
func (t *storedTime) Scan(column any) error {
	text, isText := column.(string)
	if !isText {
		return fmt.Errorf("%v stands where a time should", column)
	}
	read, err := time.Parse(timeLayout, text)
	*t = storedTime(read)
	return err
}
