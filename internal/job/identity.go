package job

import (
	"context"
	"encoding/hex"
	"errors"
	"os"

	"cardwright/flash"
	"cardwright/internal/device"
	"cardwright/internal/identity"
	"cardwright/internal/logbook"
)

// IdentityOf gives what the registers of an opened card tell. It is nil where the reader hides them, where they cannot be read,
// and where they are those of another card that came meanwhile.
func IdentityOf(d device.Description) *identity.Card {
	if d.RegisterFolder == "" || d.CID == "" {
		return nil
	}
	raw, err := identity.ReadFolder(os.DirFS(d.RegisterFolder))
	if err != nil || hex.EncodeToString(raw.CID) != d.CID {
		return nil
	}
	return identity.Decode(raw)
}

// A sourcedClaim is a claim, and where it is known from.
type sourcedClaim struct {
	flash.Claim
	source string
}

// claim is what the card is held against: what its registers promise, or what is printed on it where that is more, or where the
// registers promise nothing.
func (t *Target) claim() sourcedClaim {
	var claim sourcedClaim
	if t.Identity != nil {
		claim = claimOf(t.Identity.Claims(), logbook.ClaimByRegisters)
	}
	if printed := claimOf(t.Rated, logbook.ClaimPrinted); printed.BytesPerSecond > claim.BytesPerSecond {
		claim = printed
	}
	return claim
}

// claimOf is the highest promise among claims; the zero value where there is none.
func claimOf(c identity.Claims, source string) sourcedClaim {
	least := c.WriteBytesPerSecond()
	if least == 0 {
		return sourcedClaim{}
	}
	return sourcedClaim{flash.Claim{BytesPerSecond: least, Marks: c.Marks()}, source}
}

// cardKnown gives what the logbook has of a card, by its CID, else by the label on it; nil where it has nothing. In a batch a label is
// what the card is to get, and may be on another. A logbook that cannot be read is told when the record is opened.
func cardKnown(ctx context.Context, book *logbook.Book, t Target) *logbook.CardRecord {
	if book == nil {
		return nil
	}
	card, err := book.CardByCID(ctx, t.Conditions.CardRegisterCID)
	if errors.Is(err, logbook.ErrNoCard) && t.BatchID == 0 {
		card, err = book.CardByLabel(ctx, t.Label)
	}
	if err != nil {
		return nil
	}
	return card
}

// PrintedOn gives what is printed on a card: what the operator typed for this command, else what the logbook has of it. What is
// there and not understood any more claims nothing. A card that the logbook does not know is nil.
func PrintedOn(typed identity.Claims, known *logbook.CardRecord) identity.Claims {
	if typed != (identity.Claims{}) || known == nil {
		return typed
	}
	rated, _ := identity.ParseRated(known.Facts[logbook.FactRated])
	return rated
}

// RegistersOf gives what a card told of itself in the form that the logbook keeps; nil where nothing is known.
func RegistersOf(card *identity.Card) *logbook.Registers {
	if card == nil {
		return nil
	}
	r := &logbook.Registers{Kind: string(card.Kind)}
	if card.CID != nil {
		r.CID = card.CID.Raw
	}
	if card.CSD != nil {
		r.CSD, r.CapacityBytes = card.CSD.Raw, card.CSD.CapacityBytes
	}
	if card.SCR != nil {
		r.SCR = card.SCR.Raw
	}
	if card.SSR != nil {
		r.SSR, r.AUBytes = card.SSR.Raw, card.SSR.AUBytes
		r.SpeedClass, r.UHSGrade = card.SSR.SpeedClass, card.SSR.UHSGrade
		r.VideoClass, r.AppClass = card.SSR.VideoClass, card.SSR.AppClass
	}
	return r
}
