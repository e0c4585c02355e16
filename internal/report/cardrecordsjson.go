package report

import (
	"io"

	"cardwright/internal/logbook"
)

// CardsJSON prints the logbook's cards as one JSON document: a list under "cards".
func CardsJSON(w io.Writer, stamp Stamp, cards []logbook.CardRecord) error {
	whole := make([]logbook.CardRecord, 0, len(cards))
	for _, card := range cards {
		whole = append(whole, recordWithLists(card))
	}
	return WriteJSON(w, struct {
		Stamp
		Cards []logbook.CardRecord `json:"cards"`
	}{stamp, whole})
}

// CardPageJSON prints one card of the logbook as one JSON document.
func CardPageJSON(w io.Writer, stamp Stamp, d *CardPage) error {
	runs := make([]logbook.Record, 0, len(d.Runs))
	for _, record := range d.Runs {
		record.Run = WithLists(record.Run)
		runs = append(runs, record)
	}
	return WriteJSON(w, struct {
		Stamp
		Card    logbook.CardRecord       `json:"card"`
		History []logbook.CardFact       `json:"history"`
		Runs    []logbook.Record         `json:"runs"`
		Checks  []logbook.CapacityRecord `json:"checks"`
	}{stamp, recordWithLists(d.Card), list(d.History), runs, list(d.Checks)})
}

// MakersJSON prints the named makers as one JSON document: a list under "makers".
func MakersJSON(w io.Writer, stamp Stamp, makers []logbook.Maker) error {
	return WriteJSON(w, struct {
		Stamp
		Makers []logbook.Maker `json:"makers"`
	}{stamp, list(makers)})
}
