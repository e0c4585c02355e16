package report

import (
	"io"

	"cardwright/internal/identity"
	"cardwright/internal/logbook"
	"cardwright/partition"
)

// An unread is a file of registers that could not be understood.
type unread struct {
	File string `json:"file"`
	Why  string `json:"why"`
}

// IdentityJSON prints what a card tells of itself as one JSON document. A register that is not there is null.
func IdentityJSON(w io.Writer, stamp Stamp, d *Identity) error {
	claims, source := d.Claims()
	document := struct {
		Stamp
		Device            string               `json:"device"`
		Kind              *identity.Kind       `json:"kind"`
		CID               *identity.CID        `json:"cid"`
		CSD               *identity.CSD        `json:"csd"`
		SCR               *identity.SCR        `json:"scr"`
		SSR               *identity.SSR        `json:"ssr"`
		Health            *identity.Health     `json:"health"`
		Hidden            string               `json:"hidden"`
		Unread            []unread             `json:"unread"`
		SizeBytes         int64                `json:"size_bytes"`
		Claims            []identity.Promise   `json:"claims"`
		ClaimSource       string               `json:"claim_source"`
		BusMode           string               `json:"bus_mode"`
		BusBytesPerSecond float64              `json:"bus_bytes_per_s"`
		Maker             string               `json:"maker"`
		Card              *logbook.CardRecord  `json:"card"`
		ProductCards      []logbook.CardRecord `json:"product_cards"`
		Findings          []partition.Finding  `json:"findings"`
	}{
		Stamp: stamp, Device: d.Device, Hidden: d.Hidden, Unread: []unread{}, SizeBytes: d.SizeBytes,
		Claims: list(claims.Promises()), ClaimSource: source, BusMode: d.BusMode, BusBytesPerSecond: d.BusBytesPerSecond,
		Maker: d.Maker, ProductCards: []logbook.CardRecord{}, Findings: list(sorted(d.Findings)),
	}
	for _, u := range d.Unread {
		document.Unread = append(document.Unread, unread(u))
	}
	if d.Known != nil {
		known := recordWithLists(*d.Known)
		document.Card = &known
	}
	for _, card := range d.ProductCards {
		document.ProductCards = append(document.ProductCards, recordWithLists(card))
	}
	if d.Card != nil {
		document.CID, document.CSD, document.SCR, document.SSR = d.Card.CID, d.Card.CSD, d.Card.SCR, d.Card.SSR
		document.Health = d.Card.Health
		if d.Card.Kind != "" {
			document.Kind = &d.Card.Kind
		}
	}
	return WriteJSON(w, document)
}

// recordWithLists gives a copy of a card's record in which neither lists nor facts are null.
func recordWithLists(card logbook.CardRecord) logbook.CardRecord {
	card.Labels = list(card.Labels)
	if card.Facts == nil {
		card.Facts = map[string]string{}
	}
	return card
}
