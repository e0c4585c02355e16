package logbook

import (
	"context"
	"database/sql"

	"cardwright/flash/source"
)

// findImage gives the image that these facts tell of: by its digest, else by its packed digest, else by name, format and
// packed size. 0 when it was never met. The latest wins where a name was used for several images.
func findImage(ctx context.Context, q queryer, image source.Facts) (int64, error) {
	switch {
	case image.ImageSHA256 != "":
		return oneID(q.QueryRowContext(ctx, `SELECT image_id FROM images
			WHERE image_sha256 = ? AND image_sha256 <> ''`, image.ImageSHA256))
	case image.PackedSHA256 != "":
		return oneID(q.QueryRowContext(ctx, `SELECT image_id FROM images
			WHERE packed_sha256 = ? AND packed_sha256 <> '' ORDER BY image_id DESC LIMIT 1`, image.PackedSHA256))
	case image.PackedBytes == 0:
		return 0, nil // a name alone tells nothing, least of all that of standard input
	}
	return oneID(q.QueryRowContext(ctx, `SELECT image_id FROM images
		WHERE name = ? AND format = ? AND packed_bytes = ? ORDER BY image_id DESC LIMIT 1`,
		image.Name, string(image.Format), image.PackedBytes))
}

// meetImage gives the image that a run starts with, known again or new. Until the run ends this is a guess.
func meetImage(ctx context.Context, tx *sql.Tx, image source.Facts) (int64, error) {
	imageID, err := findImage(ctx, tx, image)
	if imageID != 0 || err != nil {
		return imageID, err
	}
	return insertedID(tx.ExecContext(ctx, `INSERT INTO images
		(name, format, packed_bytes, image_bytes, packed_sha256, image_sha256) VALUES (?, ?, ?, ?, ?, ?)`,
		image.Name, string(image.Format), image.PackedBytes, image.ImageBytes, image.PackedSHA256, image.ImageSHA256))
}

// settleImage gives the image that a run turned out to be of, where metID was the guess. What was learned is kept.
func settleImage(ctx context.Context, tx *sql.Tx, metID int64, image source.Facts) (int64, error) {
	imageID, err := findImage(ctx, tx, image)
	if err != nil {
		return 0, err
	}
	if imageID == 0 {
		if imageID, err = fitOrInsert(ctx, tx, metID, image); err != nil {
			return 0, err
		}
	}
	_, err = tx.ExecContext(ctx, `UPDATE images SET name = ?1, format = ?2,
			packed_bytes = iif(?3 > 0, ?3, packed_bytes), image_bytes = iif(?4 > 0, ?4, image_bytes),
			packed_sha256 = iif(?5 <> '', ?5, packed_sha256), image_sha256 = iif(?6 <> '', ?6, image_sha256)
		WHERE image_id = ?7`,
		image.Name, string(image.Format), image.PackedBytes, image.ImageBytes, image.PackedSHA256, image.ImageSHA256, imageID)
	return imageID, err
}

// fitOrInsert takes the guess where it does not contradict what is known now, else a new row: the same name and size
// may hold other bytes than last time.
func fitOrInsert(ctx context.Context, tx *sql.Tx, metID int64, image source.Facts) (int64, error) {
	imageID, err := oneID(tx.QueryRowContext(ctx, `SELECT image_id FROM images WHERE image_id = ?1
		AND (image_sha256 = '' OR ?2 = '') AND (packed_sha256 IN ('', ?3) OR ?3 = '')`,
		metID, image.ImageSHA256, image.PackedSHA256))
	if imageID != 0 || err != nil {
		return imageID, err
	}
	return meetImage(ctx, tx, image)
}

// dropImageWithoutRuns takes away a guess that no run rests on any more.
func dropImageWithoutRuns(ctx context.Context, tx *sql.Tx, imageID int64) error {
	_, err := tx.ExecContext(ctx, `DELETE FROM images WHERE image_id = ?1
		AND NOT EXISTS (SELECT 1 FROM runs WHERE image_id = ?1)`, imageID)
	return err
}
