package job

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"time"

	"cardwright/internal/identity"
	"cardwright/internal/logbook"
	"cardwright/partition"
)

// A Neighbourhood is what a card is held against beside itself.
type Neighbourhood struct {
	SizeBytes           int64    // of the card, as the kernel states it; 0: unknown
	Label               string   // what is written on it; may be empty
	Place               string   // where it is seated
	Twins               []string // the other places where this machine reads the same CID now
	Printed             identity.Claims
	WriteBytesPerSecond float64       // as measured on it just now; 0: not
	Book                *logbook.Book // nil: no other card is known
}

// Doubts lists what does not fit together in a card's registers, and with the other cards of the logbook. Where the logbook
// cannot be read, a finding says so. None of it proves anything.
func Doubts(ctx context.Context, card *identity.Card, n Neighbourhood) []partition.Finding {
	if card == nil {
		return nil
	}
	doubts := card.Contradictions(identity.Situation{KernelSizeBytes: n.SizeBytes, Today: today(), Printed: n.Printed})
	if card.CID == nil {
		return doubts
	}
	this := n.sighting(card)
	var others []identity.Sighting
	for _, place := range n.Twins {
		others = append(others, identity.Sighting{CID: this.CID, Place: place})
	}
	if n.Book != nil {
		known, err := kin(ctx, n.Book, &this)
		if err != nil {
			doubts = append(doubts, partition.Finding{
				Code: "other-cards-unknown", Severity: partition.Information,
				Sentence: "The other cards could not be read from the logbook.", Evidence: err.Error(),
			})
		}
		others = append(others, known...)
	}
	return append(doubts, identity.AcrossCards(this, others)...)
}

// sighting is the card as it is seen now.
func (n Neighbourhood) sighting(card *identity.Card) identity.Sighting {
	this := identity.Sighting{
		Label: n.Label, CID: card.CID.Raw, SizeBytes: n.SizeBytes, Claims: card.Claims(), Place: n.Place,
		WriteBytesPerSecond: n.WriteBytesPerSecond,
	}
	if card.CSD != nil && this.SizeBytes == 0 { // of a folder alone, the card's own word must do
		this.SizeBytes = card.CSD.CapacityBytes
	}
	if card.SSR != nil {
		this.AUBytes = card.SSR.AUBytes
	}
	return this
}

// foundBefore tells what an earlier check of the card's size found, where that was not what the card states.
func foundBefore(known *logbook.CardRecord) (f partition.Finding, found bool) {
	if known == nil || known.LastCapacity == nil {
		return f, false
	}
	last := known.LastCapacity
	f = partition.Finding{
		Severity: partition.Warning,
		Evidence: fmt.Sprintf("check %d of %s, of %d bytes claimed", last.CheckID, last.StartedAt.Format(time.DateOnly), last.ClaimedBytes),
	}
	switch {
	case last.Verdict == logbook.CapacityShort && last.TrueBytes != nil:
		f.Code, f.Sentence = "size-found-short", "A check of this card's size found that it holds less than it states."
		f.Evidence += fmt.Sprintf(", %d were found", *last.TrueBytes)
	case last.Verdict == logbook.CapacityUnreliable:
		f.Code, f.Sentence = "size-found-unreliable", "A check of this card's size found that it does not keep what is written to it."
	}
	return f, f.Code != ""
}

// rateOfItself is the rate of a run that tells of the card and not of its source or bus; 0 where there is none.
func rateOfItself(run *logbook.Run) float64 {
	if run.Write == nil || run.Conditions.SourceWasTheLimit || run.Conditions.BusWasTheLimit || run.Conditions.SkipFree {
		return 0
	}
	return run.Write.SustainedBytesPerSecond
}

// written is when this was written. A clock that shows an earlier time was never set, as on boards without a battery.
var written = time.Date(2026, time.November, 1, 0, 0, 0, 0, time.UTC)

// today is the date, zero where the clock does not know it.
func today() time.Time {
	now := time.Now().UTC()
	if now.Before(written) {
		return time.Time{}
	}
	return now
}

// kin gives the cards of the logbook that a card is held against: itself, under the labels that it had, and the others of its
// product. It puts into the card's own sighting what the logbook knows of it.
func kin(ctx context.Context, book *logbook.Book, this *identity.Sighting) (others []identity.Sighting, err error) {
	known, err := book.CardByCID(ctx, this.CID)
	switch {
	case err == nil:
		this.CardID, this.Labels = known.CardID, known.Labels
		this.WriteBytesPerSecond = cmp.Or(this.WriteBytesPerSecond, known.WriteBytesPerSecond)
	case !errors.Is(err, logbook.ErrNoCard):
		return nil, err
	}
	records, err := book.Product(ctx, this.CID)
	for _, record := range records {
		others = append(others, sightingOf(record))
	}
	return others, err
}

// sightingOf is a card as the logbook knows it.
func sightingOf(record logbook.CardRecord) identity.Sighting {
	s := identity.Sighting{
		CardID: record.CardID, Label: record.Label, Labels: record.Labels, CID: record.CID, SizeBytes: record.SizeBytes,
		WriteBytesPerSecond: record.WriteBytesPerSecond,
	}
	if r := record.Registers; r != nil {
		s.AUBytes, s.SizeBytes = r.AUBytes, cmp.Or(s.SizeBytes, r.CapacityBytes)
		s.Claims = r.Claims()
	}
	return s
}
