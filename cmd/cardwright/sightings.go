package main

import (
	"cmp"

	"cardwright/internal/identity"
	"cardwright/internal/logbook"
)

// compare holds the card against those of the same product that the logbook knows, and against the cards in other readers.
func (i *identifying) compare() {
	if i.page.Card == nil || i.page.Card.CID == nil {
		return
	}
	this := i.sighting()
	var others []identity.Sighting
	for _, card := range i.page.ProductCards {
		others = append(others, sightingOf(&card))
	}
	for _, l := range i.beside {
		if l.CID == this.CID {
			others = append(others, identity.Sighting{CID: l.CID, SizeBytes: l.SizeBytes, Place: l.Node})
		}
	}
	i.page.Findings = append(i.page.Findings, identity.AcrossCards(this, others)...)
}

// sighting is the card at hand as it is seen now.
func (i *identifying) sighting() identity.Sighting {
	card := i.page.Card
	this := identity.Sighting{CID: card.CID.Raw, SizeBytes: i.page.SizeBytes, Claims: card.Claims(), Place: i.node, Label: i.label}
	if card.CSD != nil && this.SizeBytes == 0 { // of a folder, its own word must do
		this.SizeBytes = card.CSD.CapacityBytes
	}
	if card.SSR != nil {
		this.AUBytes = card.SSR.AUBytes
	}
	if known := i.page.Known; known != nil {
		this.CardID, this.Label, this.Labels = known.CardID, known.Label, known.Labels
		this.WriteBytesPerSecond = known.WriteBytesPerSecond
	}
	return this
}

// sightingOf is a card as the logbook knows it.
func sightingOf(card *logbook.CardRecord) identity.Sighting {
	s := identity.Sighting{
		CardID: card.CardID, Label: card.Label, Labels: card.Labels, CID: card.CID, SizeBytes: card.SizeBytes,
		WriteBytesPerSecond: card.WriteBytesPerSecond,
	}
	if r := card.Registers; r != nil {
		s.AUBytes, s.SizeBytes = r.AUBytes, cmp.Or(s.SizeBytes, r.CapacityBytes)
		s.Claims = identity.Claims{SpeedClass: r.SpeedClass, UHSGrade: r.UHSGrade, VideoClass: r.VideoClass, AppClass: r.AppClass}
	}
	return s
}
