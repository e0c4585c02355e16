package job

import (
	"encoding/hex"
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
