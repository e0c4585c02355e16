package logbook

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// ErrFact says that what was told of a card cannot be noted.
var ErrFact = errors.New("this cannot be noted of a card")

// The names of facts: what an operator can attach to a card.
const (
	FactPrice    = "price"    // what was paid for it, a decimal number: "7.90"
	FactCurrency = "currency" // of the price, three capital letters as in ISO 4217: "EUR"
	FactSeries   = "series"   // what the maker calls the line that it was bought as
	FactSeller   = "seller"
	FactBought   = "bought" // the date, "2026-03-04"
	FactRated    = "rated"  // the ratings that are printed on it: "C10 U1 A1"
	FactNote     = "note"
)

// FactNames are all names of facts, in the order in which they are told.
func FactNames() []string {
	return []string{FactSeries, FactSeller, FactBought, FactPrice, FactCurrency, FactRated, FactNote}
}

// A CardFact is one line of a card's history: a value was noted, or, where it is empty, taken back.
type CardFact struct {
	Name    string    `json:"name"`
	Value   string    `json:"value"`
	NotedAt time.Time `json:"noted_at"`
}

// SetFacts attaches facts to a card: all of them, or none. A later value corrects an earlier one and an empty one takes it back;
// the earlier ones stay as history. What is noted already is not noted again. ErrFact for a name that is none of FactNames and for
// a value that does not fit its name, ErrNoCard when there is no such card.
func (b *Book) SetFacts(ctx context.Context, cardID int64, facts map[string]string, at time.Time) error {
	if err := CheckFacts(facts, at); err != nil {
		return err
	}
	err := b.write(ctx, func(tx *sql.Tx) error {
		if err := mustBeCard(ctx, tx, cardID); err != nil {
			return err
		}
		for _, name := range FactNames() {
			value, told := facts[name]
			if !told {
				continue
			}
			_, err := tx.ExecContext(ctx, `INSERT INTO facts (card_id, name, value, noted_at) SELECT ?1, ?2, ?3, ?4
				WHERE ?3 <> coalesce((SELECT value FROM facts WHERE card_id = ?1 AND name = ?2 ORDER BY fact_id DESC LIMIT 1), '')`,
				cardID, name, value, at.UTC().Format(timeLayout))
			if err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("facts of card %d: %w", cardID, err)
	}
	return nil
}

// CheckFacts says ErrFact, and why, where SetFacts would: so that no card is made for facts that cannot be noted.
func CheckFacts(facts map[string]string, at time.Time) error {
	for _, name := range slices.Sorted(maps.Keys(facts)) {
		if err := checkFact(name, facts[name], at); err != nil {
			return err
		}
	}
	return nil
}

// FactHistory gives all that was ever noted of a card, in the order in which it was noted. ErrNoCard when there is no such card.
func (b *Book) FactHistory(ctx context.Context, cardID int64) ([]CardFact, error) {
	facts, err := selectFacts(ctx, b.db, cardID)
	if err != nil {
		return nil, fmt.Errorf("facts of card %d: %w", cardID, explained(b.path, err))
	}
	return facts, nil
}

func selectFacts(ctx context.Context, q queryer, cardID int64) ([]CardFact, error) {
	if err := mustBeCard(ctx, q, cardID); err != nil {
		return nil, err
	}
	rows, err := q.QueryContext(ctx, `SELECT name, value, noted_at FROM facts WHERE card_id = ? ORDER BY fact_id`, cardID)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	facts := []CardFact{}
	for rows.Next() {
		var fact CardFact
		if err := rows.Scan(&fact.Name, &fact.Value, (*storedTime)(&fact.NotedAt)); err != nil {
			return nil, err
		}
		facts = append(facts, fact)
	}
	return facts, rows.Err()
}

var (
	// The smallest units of ISO 4217 have up to four decimals (from memory). No price has 10 digits before the point.
	decimalNumber = regexp.MustCompile(`^(0|[1-9][0-9]{0,8})(\.[0-9]{1,4})?$`)
	currencyCode  = regexp.MustCompile(`^[A-Z]{3}$`)
)

// checkFact says ErrFact, and why, where the name is unknown or the value does not fit it. An empty value fits every name.
func checkFact(name, value string, at time.Time) error {
	const mostCharacters, mostOfNote = 100, 1000
	most := mostCharacters
	if name == FactNote {
		most = mostOfNote
	}
	if !slices.Contains(FactNames(), name) {
		return fmt.Errorf("%q: %w: it is none of %s", name, ErrFact, strings.Join(FactNames(), ", "))
	}
	if value == "" {
		return nil
	}
	complaint := complaintOfText(value, most)
	if complaint == "" {
		complaint = complaintOfFact(name, value, at)
	}
	if complaint != "" {
		return fmt.Errorf("%s %.40q: %w: %s", name, value, ErrFact, complaint)
	}
	return nil
}

// complaintOfFact says what keeps a printable value from fitting its name; empty where nothing does.
func complaintOfFact(name, value string, at time.Time) string {
	switch name {
	case FactPrice:
		if !decimalNumber.MatchString(value) {
			return "a price is a plain decimal number with a point, such as 7.90"
		}
	case FactCurrency:
		if !currencyCode.MatchString(value) {
			return "a currency is three capital letters as in ISO 4217, such as EUR"
		}
	case FactBought:
		if _, err := time.Parse(time.DateOnly, value); err != nil {
			return "a date is year, month and day, such as 2026-03-04"
		}
		if value > at.Format(time.DateOnly) {
			return "that day is still to come"
		}
	}
	return ""
}

// complaintOfText says what keeps a text from being kept and printed in one line; empty where nothing does.
func complaintOfText(text string, mostCharacters int) string {
	notPrintable := func(r rune) bool { return !unicode.IsPrint(r) }
	switch {
	case !utf8.ValidString(text):
		return "it is no valid UTF-8"
	case utf8.RuneCountInString(text) > mostCharacters:
		return fmt.Sprintf("it is longer than %d characters", mostCharacters)
	case strings.ContainsFunc(text, notPrintable):
		return "it holds a character that cannot be printed"
	case strings.TrimSpace(text) != text:
		return "it begins or ends with a space"
	}
	return ""
}
