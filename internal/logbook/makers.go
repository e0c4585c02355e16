package logbook

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// ErrMaker says that a maker cannot be named so.
var ErrMaker = errors.New("a maker cannot be named so")

// A Maker is what the operator calls the maker behind a number in the CID.
type Maker struct {
	Kind           string    `json:"kind"`            // KindSD or KindEMMC: their numbers have nothing to do with each other
	ManufacturerID int       `json:"manufacturer_id"` // 0 to 255
	Name           string    `json:"name"`
	NotedAt        time.Time `json:"noted_at"`
}

// NameMaker names the maker of all cards of this kind whose CID begins with this number. A later name corrects an earlier one and
// an empty one takes it back; the earlier ones stay in the file. What is noted already is not noted again. ErrMaker for a kind or
// number that there is none of, and for a name that cannot be printed in one line of 100 characters.
func (b *Book) NameMaker(ctx context.Context, kind string, manufacturerID int, name string) error {
	const mostCharacters = 100
	if kind != KindSD && kind != KindEMMC || manufacturerID < 0 || manufacturerID > 0xff {
		return fmt.Errorf("%w: makers are numbered from 0 to 255, for %s and for %s", ErrMaker, KindSD, KindEMMC)
	}
	if complaint := complaintOfText(name, mostCharacters); complaint != "" {
		return fmt.Errorf("%.40q: %w: %s", name, ErrMaker, complaint)
	}
	return b.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `INSERT INTO makers (kind, manufacturer_id, name, noted_at) SELECT ?1, ?2, ?3, ?4
			WHERE ?3 <> coalesce((SELECT name FROM makers WHERE kind = ?1 AND manufacturer_id = ?2
				ORDER BY naming_id DESC LIMIT 1), '')`, kind, manufacturerID, name, time.Now().UTC().Format(timeLayout))
		return err
	})
}

// Makers gives the makers that have a name, those of eMMC modules first, by their numbers.
func (b *Book) Makers(ctx context.Context) ([]Maker, error) {
	makers, err := selectMakers(ctx, b.db)
	if err != nil {
		return nil, explained(b.path, err)
	}
	return makers, nil
}

func selectMakers(ctx context.Context, q queryer) ([]Maker, error) {
	rows, err := q.QueryContext(ctx, `SELECT kind, manufacturer_id, name, noted_at FROM makers
		WHERE naming_id IN (SELECT max(naming_id) FROM makers GROUP BY kind, manufacturer_id) AND name <> ''
		ORDER BY kind, manufacturer_id`)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	makers := []Maker{}
	for rows.Next() {
		var maker Maker
		if err := rows.Scan(&maker.Kind, &maker.ManufacturerID, &maker.Name, (*storedTime)(&maker.NotedAt)); err != nil {
			return nil, err
		}
		makers = append(makers, maker)
	}
	return makers, rows.Err()
}
