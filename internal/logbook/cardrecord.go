package logbook

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"cardwright/flash"
	"cardwright/internal/identity"
)

// A CardRecord is a card as the logbook knows it. Text is empty, a number 0 and a pointer null where nothing is known.
type CardRecord struct {
	CardID       int64             `json:"card_id"`
	Label        string            `json:"label"`  // as last told
	Labels       []string          `json:"labels"` // all that were ever on it, in the order of the alphabet
	CID          string            `json:"cid"`
	Maker        string            `json:"maker"`      // as the operator calls the maker in the CID
	SizeBytes    int64             `json:"size_bytes"` // as last stated by the card
	Registers    *Registers        `json:"registers"`  // what it told last
	Facts        map[string]string `json:"facts"`      // what the operator attached and did not take back
	Runs         int               `json:"runs"`
	LastRun      *RunSummary       `json:"last_run"`
	LastFlash    *RunSummary       `json:"last_flash"`
	LastCapacity *CapacitySummary  `json:"last_capacity"` // the latest that came to a verdict
	// WriteBytesPerSecond is the rate of the latest intact flash that tells of the card itself: neither source nor bus was the
	// limit, no free space was left out, and the card stated the size that it states now.
	WriteBytesPerSecond float64 `json:"write_bytes_per_s"`
}

// A RunSummary is what a list of cards tells of a run.
type RunSummary struct {
	RunID                   int64      `json:"run_id"`
	Operation               Operation  `json:"operation"`
	StartedAt               time.Time  `json:"started_at"`
	Verdict                 Verdict    `json:"verdict"`
	Pace                    flash.Pace `json:"pace"`
	SustainedBytesPerSecond *float64   `json:"sustained_bytes_per_s"` // null where nothing was written
}

// A CapacitySummary is what a list of cards tells of a capacity check.
type CapacitySummary struct {
	CheckID      int64     `json:"check_id"`
	StartedAt    time.Time `json:"started_at"`
	Mode         string    `json:"mode"`
	Verdict      string    `json:"verdict"`
	ClaimedBytes int64     `json:"claimed_bytes"`
	TrueBytes    *int64    `json:"true_bytes"`
}

// A CardFilter narrows and orders a list of cards; its zero value takes all cards by their labels.
type CardFilter struct {
	LatestFirst bool // the card that was met last first, else by label as people count, those without a label last
	Limit       int  // at most so many; 0: all
}

// ListCards gives the cards that can be known again. A card without CID and label is met once and never again: its run tells all
// there is.
func (b *Book) ListCards(ctx context.Context, f CardFilter) ([]CardRecord, error) {
	cards, err := selectCards(ctx, b.db, `cards.cid <> '' OR cards.label <> ''`)
	if err != nil {
		return nil, explained(b.path, err)
	}
	if !f.LatestFirst {
		slices.SortStableFunc(cards, func(a, b CardRecord) int {
			if (a.Label == "") != (b.Label == "") {
				return cmp.Compare(len(b.Label), len(a.Label))
			}
			return cmp.Or(compareLabels(a.Label, b.Label), cmp.Compare(a.CID, b.CID))
		})
	}
	if f.Limit > 0 && f.Limit < len(cards) {
		cards = cards[:f.Limit]
	}
	return cards, nil
}

// CardByLabel gives the card that bears this label; of several, the one that was met last. ErrNoCard when there is none.
func (b *Book) CardByLabel(ctx context.Context, label string) (*CardRecord, error) {
	return b.oneCard(ctx, fmt.Sprintf("card %q", label), `cards.label = ? AND cards.label <> ''`, label)
}

// CardByCID gives the card with this CID. ErrNoCard when there is none, and for a text that tells no card from another.
func (b *Book) CardByCID(ctx context.Context, cid string) (*CardRecord, error) {
	return b.oneCard(ctx, "card with CID "+cid, isCardWithCID, identity.TellingCID(cid))
}

// MeetCard notes that a card is at hand outside a run, known again as by Begin or new, and gives it. It must have a label or
// registers that hold a CID. Size and registers are 0 and nil where they are not known, and take nothing away.
func (b *Book) MeetCard(ctx context.Context, label string, sizeBytes int64, registers *Registers) (*CardRecord, error) {
	m := meeting{cid: registers.knownCID(), label: label, sizeBytes: sizeBytes, registers: registers}
	if m.cid == "" && m.label == "" {
		return nil, errors.New("a card that has neither a label nor a CID cannot be known again")
	}
	var card *CardRecord
	err := b.write(ctx, func(tx *sql.Tx) error {
		cardID, err := meetCard(ctx, tx, m, time.Now())
		if err == nil {
			card, err = firstCard(ctx, tx, `cards.card_id = ?`, cardID)
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return card, nil
}

// Product gives the other cards that have maker, OEM, name and revision in common with this CID, the one that was met last first.
// Each tells its WriteBytesPerSecond only where it is of the same size as the card with this CID, which must have been met.
func (b *Book) Product(ctx context.Context, cid string) ([]CardRecord, error) {
	known := identity.TellingCID(cid)
	cards, err := selectCards(ctx, b.db, `cards.product = ? AND cards.product <> ''`, identity.Product(known))
	if err != nil {
		return nil, explained(b.path, err)
	}
	var sizeBytes int64
	others := []CardRecord{}
	for _, card := range cards {
		if card.CID[:30] == known[:30] {
			sizeBytes = card.SizeBytes
		} else {
			others = append(others, card)
		}
	}
	for i := range others {
		if sizeBytes == 0 || others[i].SizeBytes != sizeBytes {
			others[i].WriteBytesPerSecond = 0
		}
	}
	return others, nil
}

func (b *Book) oneCard(ctx context.Context, what, condition string, arg any) (*CardRecord, error) {
	card, err := firstCard(ctx, b.db, condition, arg)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", what, explained(b.path, err))
	}
	return card, nil
}

// firstCard gives, of the cards that meet a condition, the one that was met last, or ErrNoCard.
func firstCard(ctx context.Context, q queryer, condition string, arg any) (*CardRecord, error) {
	cards, err := selectCards(ctx, q, condition, arg)
	if err != nil {
		return nil, err
	}
	if len(cards) == 0 {
		return nil, ErrNoCard
	}
	return &cards[0], nil
}

// runSummary makes a RunSummary. The rate is taken from the document, word for word, rather than printed by SQLite.
const runSummary = `SELECT json_object('run_id', run_id, 'operation', operation, 'started_at', started_at, 'verdict', verdict,
		'pace', pace, 'sustained_bytes_per_s', document -> '$.write.sustained_bytes_per_s')
	FROM runs WHERE runs.card_id = cards.card_id `

// selectCards gives the cards that meet a condition, the one that was met last first. It is one statement, so that all it tells is
// of one moment.
func selectCards(ctx context.Context, q queryer, condition string, args ...any) ([]CardRecord, error) {
	makers, err := selectMakers(ctx, q)
	if err != nil {
		return nil, err
	}
	rows, err := q.QueryContext(ctx, `SELECT cards.card_id, cards.label, cards.cid, cards.size_bytes,
		(SELECT json_object('kind', kind, 'cid', cid, 'csd', csd, 'scr', scr, 'ssr', ssr, 'capacity_bytes', capacity_bytes,
				'au_bytes', au_bytes, 'speed_class', speed_class, 'uhs_grade', uhs_grade, 'video_class', video_class,
				'app_class', app_class)
			FROM registers WHERE registers.registers_id = cards.registers_id),
		(SELECT json_group_object(name, value) FROM facts WHERE value <> ''
			AND fact_id IN (SELECT max(fact_id) FROM facts WHERE facts.card_id = cards.card_id GROUP BY name)),
		(SELECT json_group_array(label ORDER BY label) FROM labels WHERE labels.card_id = cards.card_id),
		(SELECT count(*) FROM runs WHERE runs.card_id = cards.card_id),
		(`+runSummary+`ORDER BY run_id DESC LIMIT 1),
		(`+runSummary+`AND operation = 'flash' ORDER BY run_id DESC LIMIT 1),
		(SELECT json_object('check_id', check_id, 'started_at', started_at, 'mode', mode, 'verdict', verdict,
				'claimed_bytes', claimed_bytes, 'true_bytes', true_bytes)
			FROM capacity_checks WHERE capacity_checks.card_id = cards.card_id AND verdict <> '' ORDER BY check_id DESC LIMIT 1),
		coalesce((SELECT sustained_bytes_per_s FROM runs WHERE runs.card_id = cards.card_id AND `+isProvenFlash+`
			AND `+isOwnRate+` AND runs.skip_free = 0 AND sustained_bytes_per_s IS NOT NULL
			AND document ->> '$.conditions.card_size_bytes' = cards.size_bytes ORDER BY run_id DESC LIMIT 1), 0)
		FROM cards WHERE `+condition+` ORDER BY cards.met DESC`, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	cards := []CardRecord{}
	for rows.Next() {
		var c CardRecord
		err := rows.Scan(&c.CardID, &c.Label, &c.CID, &c.SizeBytes, storedJSON{&c.Registers}, storedJSON{&c.Facts},
			storedJSON{&c.Labels}, &c.Runs, storedJSON{&c.LastRun}, storedJSON{&c.LastFlash}, storedJSON{&c.LastCapacity},
			&c.WriteBytesPerSecond)
		if err != nil {
			return nil, err
		}
		c.Maker = makerOf(&c, makers)
		cards = append(cards, c)
	}
	return cards, rows.Err()
}

// makerOf gives what the operator calls the maker of a card. Its registers know its kind; where they were never seen, its CID tells.
func makerOf(card *CardRecord, makers []Maker) string {
	raw, err := hex.DecodeString(card.CID)
	if err != nil || len(raw) == 0 {
		return ""
	}
	kind := string(identity.KindOfCID(card.CID))
	if card.Registers != nil {
		kind = cmp.Or(card.Registers.Kind, kind)
	}
	for _, maker := range makers {
		if maker.Kind == kind && maker.ManufacturerID == int(raw[0]) {
			return maker.Name
		}
	}
	return ""
}

// A storedJSON reads a value from the JSON text of a column. Null leaves the value as it is.
type storedJSON struct{ value any }

// Scan reads the text of a column.
func (j storedJSON) Scan(column any) error {
	switch text := column.(type) {
	case nil:
		return nil
	case string:
		return json.Unmarshal([]byte(text), j.value)
	}
	return fmt.Errorf("%v stands where a document should", column)
}
