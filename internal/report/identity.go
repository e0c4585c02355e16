package report

import (
	"cmp"
	"fmt"
	"io"
	"strings"

	"cardwright/internal/identity"
	"cardwright/internal/logbook"
	"cardwright/partition"
)

// An Identity is what a card tells of itself, and what is known of it besides.
type Identity struct {
	Device string         // the device, or the folder that was read, as the operator named it
	Card   *identity.Card // nil where no register is to be had
	Hidden string         // why none is; empty beside a card
	Unread []identity.Unread
	// Printed is what the operator read on the card; the zero value is nothing.
	Printed           identity.Claims
	SizeBytes         int64   // as the kernel tells it; 0 where it does not
	BusMode           string  // how the reader talks to the card, such as "sd uhs SDR50"; empty where the kernel does not tell
	BusBytesPerSecond float64 // the most that can go over it; 0 where that is not known
	Maker             string  // the operator's name for the maker's number
	Known             *logbook.CardRecord
	ProductCards      []logbook.CardRecord // the others of the same maker, OEM, name and revision
	Findings          []partition.Finding
}

// Claims are what the card claims by its registers, else by what is printed on it.
func (d *Identity) Claims() (claims identity.Claims, source string) {
	if d.Card != nil {
		if claims = d.Card.Claims(); claims != (identity.Claims{}) {
			return claims, logbook.ClaimByRegisters
		}
	}
	if d.Printed != (identity.Claims{}) {
		return d.Printed, logbook.ClaimPrinted
	}
	return identity.Claims{}, ""
}

// WriteIdentity prints what a card tells of itself, and with allFields every field of its registers too.
func WriteIdentity(w io.Writer, d *Identity, allFields bool) error {
	p := &page{}
	p.plain(d.Device + ": " + kindSentence(d))
	if d.Card == nil {
		p.add("Registers", d.Hidden)
	}
	for _, u := range d.Unread {
		p.add("Unread", u.File+": "+u.Why)
	}
	addCID(p, d)
	p.add("Size", sizeSentence(d))
	addClaims(p, d)
	p.add("Bus", identityBus(d))
	addHealth(p, d.Card)
	p.add("Logbook", knownSentence(d))
	addFindings(p, sorted(d.Findings), all)
	if d.Card != nil {
		p.add("Caution", identity.Caution()+" \"cardwright capacity\" measures whether it is as large as it says, a flash how fast it is.")
	}
	if allFields && d.Card != nil {
		addFields(p, d.Card)
	}
	return p.writeTo(w)
}

// kindSentence tells what it is, and how large.
func kindSentence(d *Identity) string {
	kind := "a card whose registers cannot be read here"
	if d.Card != nil {
		kind = map[identity.Kind]string{identity.KindSD: "an SD card", identity.KindEMMC: "an eMMC module"}[d.Card.Kind]
		kind = cmp.Or(kind, "a card of unknown kind")
		if d.Card.SCR != nil {
			kind += ", specification " + d.Card.SCR.SpecVersion
		}
	}
	var size string
	switch stated := statedBytes(d.Card); {
	case d.SizeBytes > 0:
		size = ", " + Capacity(d.SizeBytes)
	case stated > 0:
		size = ", " + Capacity(stated) + " by its registers"
	}
	return kind + size + "."
}

// sizeSentence tells the size to the byte, and in what units the card likes to be written.
func sizeSentence(d *Identity) string {
	var kernel, stated, units, discard string
	if d.SizeBytes > 0 {
		kernel = fmt.Sprintf("%d bytes as the kernel has it", d.SizeBytes)
	}
	if bytes := statedBytes(d.Card); bytes > 0 {
		stated = fmt.Sprintf("%d bytes by its CSD", bytes)
	}
	if d.Card != nil && d.Card.SSR != nil {
		if bytes := d.Card.SSR.AUBytes; bytes > 0 {
			units = "allocation units of " + binarySize(bytes)
		}
		if discard = "no discard"; d.Card.SSR.Discard {
			discard = "discard"
		}
	}
	return strings.Join(nonEmpty(kernel, stated, units, discard), ", ")
}

// statedBytes is the capacity by the CSD; 0 where it does not tell.
func statedBytes(card *identity.Card) int64 {
	if card == nil || card.CSD == nil {
		return 0
	}
	return card.CSD.CapacityBytes
}

// addCID tells who made which card, by its own word.
func addCID(p *page, d *Identity) {
	if d.Card == nil {
		return
	}
	cid := d.Card.CID
	if cid == nil {
		p.add("Card", "its CID is not there, so that neither maker nor serial number is known")
		return
	}
	maker := cid.ManufacturerID.String()
	if d.Maker != "" {
		maker += ", named " + d.Maker + " in the logbook"
	}
	p.add("Maker", maker+"; OEM "+cid.OEMID)
	p.add("Card", fmt.Sprintf("name %s, revision %s, serial %s, made %s", cid.Name, cid.Revision, cid.Serial, cid.Manufactured))
}

// addClaims tells what the card promises, and what it does not.
func addClaims(p *page, d *Identity) {
	claims, source := d.Claims()
	switch source {
	case logbook.ClaimByRegisters:
		p.add("Speed", claims.Sentence())
	case logbook.ClaimPrinted:
		p.add("Speed", claims.Sentence()+", by what is printed on it")
	default:
		if d.Card != nil {
			p.add("Speed", "no class is claimed by its registers")
		}
		return
	}
	for _, limit := range claims.Limits() {
		p.add("", limit)
	}
}

// identityBus tells what goes over the bus at the most, and whether that is less than the card claims.
func identityBus(d *Identity) string {
	text := d.BusMode
	if d.BusBytesPerSecond > 0 {
		text = strings.Join(nonEmpty(text, "at most "+Rate(d.BusBytesPerSecond)), ", ")
	}
	claims, _ := d.Claims()
	if claimed := claims.WriteBytesPerSecond(); d.BusBytesPerSecond > 0 && claimed > d.BusBytesPerSecond {
		text += fmt.Sprintf(": here the bus and not the card is the limit, and the %s it claims cannot be seen", Rate(claimed))
	}
	return text
}

// addHealth tells an eMMC module's wear.
func addHealth(p *page, card *identity.Card) {
	if card == nil || card.Health == nil {
		return
	}
	h := card.Health
	var parts []string
	for _, part := range []struct{ name, text string }{
		{"type A ", h.LifeTimeA}, {"type B ", h.LifeTimeB}, {"spare blocks: ", h.PreEOL},
	} {
		parts = append(parts, nonEmpty(prefixed(part.name, part.text))...)
	}
	p.add("Wear", strings.Join(parts, ", "))
}

// knownSentence tells what the logbook knows of the card and of others like it.
func knownSentence(d *Identity) string {
	var parts []string
	if d.Known != nil {
		runs := "no run yet"
		if d.Known.Runs > 0 {
			runs = count(d.Known.Runs, "run")
		}
		parts = append(parts, "it is "+recordName(d.Known)+", with "+runs)
		if check := d.Known.LastCapacity; check != nil {
			parts = append(parts, fmt.Sprintf("its size was found %s by check %d", check.Verdict, check.CheckID))
		}
	}
	if n := len(d.ProductCards); n > 0 {
		parts = append(parts, count(n, "other card")+" of the same maker, OEM, name and revision")
	}
	return strings.Join(parts, "; ")
}

// recordName is what a card of the logbook is called.
func recordName(card *logbook.CardRecord) string {
	if card.Label == "" {
		return fmt.Sprintf("card %d", card.CardID)
	}
	return fmt.Sprintf("card %d, %s", card.CardID, card.Label)
}

// binarySize gives a size that is a power of two, or a few of them, as specifications do.
func binarySize(bytes int64) string {
	if bytes%(1<<20) == 0 {
		return fmt.Sprintf("%d MiB", bytes>>20)
	}
	return fmt.Sprintf("%d KiB", bytes>>10)
}
