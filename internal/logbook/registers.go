package logbook

import (
	"context"
	"database/sql"
	"time"

	"cardwright/internal/identity"
)

// The kinds of cards, as Registers and makers tell them apart.
const (
	KindSD   = string(identity.KindSD)
	KindEMMC = string(identity.KindEMMC)
)

// Registers are what a card told of itself. A register is lower-case hexadecimal digits, and empty where it was not there; a
// number is 0 where no register tells it.
type Registers struct {
	Kind          string `json:"kind"` // KindSD, KindEMMC, or empty
	CID           string `json:"cid"`
	CSD           string `json:"csd"`
	SCR           string `json:"scr"`
	SSR           string `json:"ssr"`
	CapacityBytes int64  `json:"capacity_bytes"` // as the CSD states it
	AUBytes       int64  `json:"au_bytes"`       // the size of an allocation unit
	SpeedClass    int    `json:"speed_class"`
	UHSGrade      int    `json:"uhs_grade"`
	VideoClass    int    `json:"video_class"`
	AppClass      int    `json:"app_class"`
}

// knownCID gives the CID that the registers hold, or "" where they hold none that tells cards apart.
func (r *Registers) knownCID() string {
	if r == nil {
		return ""
	}
	return identity.TellingCID(r.CID)
}

// Claims are the classes that the registers tell of.
func (r *Registers) Claims() identity.Claims {
	return identity.Claims{SpeedClass: r.SpeedClass, UHSGrade: r.UHSGrade, VideoClass: r.VideoClass, AppClass: r.AppClass}
}

// keepRegisters notes what a card tells now. What the same registers were decoded to may have changed with the program.
func keepRegisters(ctx context.Context, tx *sql.Tx, cardID int64, r *Registers, now time.Time) error {
	if r == nil {
		return nil
	}
	registersID, err := oneID(tx.QueryRowContext(ctx, `INSERT INTO registers (card_id, kind, cid, csd, scr, ssr, capacity_bytes,
			au_bytes, speed_class, uhs_grade, video_class, app_class, first_seen_at, last_seen_at)
		VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?13)
		ON CONFLICT DO UPDATE SET capacity_bytes = excluded.capacity_bytes, au_bytes = excluded.au_bytes,
			speed_class = excluded.speed_class, uhs_grade = excluded.uhs_grade, video_class = excluded.video_class,
			app_class = excluded.app_class, last_seen_at = excluded.last_seen_at
		RETURNING registers_id`,
		cardID, r.Kind, r.CID, r.CSD, r.SCR, r.SSR, r.CapacityBytes, r.AUBytes,
		r.SpeedClass, r.UHSGrade, r.VideoClass, r.AppClass, now.UTC().Format(timeLayout)))
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `UPDATE cards SET registers_id = ? WHERE card_id = ?`, registersID, cardID)
	return err
}
