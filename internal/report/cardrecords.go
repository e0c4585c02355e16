package report

import (
	"cmp"
	"encoding/hex"
	"fmt"
	"io"
	"slices"
	"strings"

	"cardwright/internal/identity"
	"cardwright/internal/logbook"
)

// A CardPage is one card as the logbook knows it.
type CardPage struct {
	Card    logbook.CardRecord
	History []logbook.CardFact
	Runs    []logbook.Record // the latest first
	Checks  []logbook.CapacityRecord
}

// Cards prints the logbook's cards, with what is known of where they come from below them.
func Cards(w io.Writer, cards []logbook.CardRecord) error {
	p := &page{}
	if len(cards) == 0 {
		p.plain("No card is recorded.")
		return p.writeTo(w)
	}
	line := func(card, label, name, size, verdict, pace, rate, check string) {
		p.lines = append(p.lines, fmt.Sprintf("%4s ", card)+Padded(Shortened(Printable(label), 11), 12)+
			Padded(Shortened(Printable(name), 15), 16)+Padded(size, 9)+Padded(verdict, 11)+Padded(pace, 12)+Padded(rate, 5)+check)
	}
	line("Card", "Label", "Maker, name", "Size", "Verdict", "Pace", "MB/s", "Size is")
	for i := range cards {
		c := &cards[i]
		size, verdict, pace, rate, check := "-", "-", "-", "-", "-"
		if bytes := sizeOf(c); bytes > 0 {
			size = Size(bytes)
		}
		if last := c.LastRun; last != nil {
			verdict = string(last.Verdict)
		}
		if last := c.LastFlash; last != nil { // a check has neither
			pace = cmp.Or(string(last.Pace), "-")
			if known(last.SustainedBytesPerSecond) {
				rate = Megabytes(*last.SustainedBytesPerSecond)
			}
		}
		if last := c.LastCapacity; last != nil {
			check = cmp.Or(last.Verdict, "open")
		}
		line(fmt.Sprint(c.CardID), cmp.Or(c.Label, "-"), cmp.Or(makerAndName(c), "-"), size, verdict, pace, rate, Cut(check, 10))
		for _, text := range Wrapped(Printable(factsSentence(c.Facts)), screenColumns-len(indentOfFacts)) {
			if text != "" {
				p.lines = append(p.lines, indentOfFacts+text)
			}
		}
	}
	return p.writeTo(w)
}

// sizeOf is what the card states as its size, by its registers where it was never seated; 0 where nothing tells.
func sizeOf(card *logbook.CardRecord) int64 {
	if card.SizeBytes == 0 && card.Registers != nil {
		return card.Registers.CapacityBytes
	}
	return card.SizeBytes
}

const indentOfFacts = "     "

// makerAndName is what a card is by its CID: its maker, as the operator named it, and its name.
func makerAndName(card *logbook.CardRecord) string {
	raw := &identity.Raw{}
	if card.Registers != nil {
		raw.Kind = identity.Kind(card.Registers.Kind)
	}
	var err error
	if raw.CID, err = hex.DecodeString(card.CID); err != nil {
		return card.Maker
	}
	cid := identity.Decode(raw).CID
	if cid == nil {
		return card.Maker
	}
	return strings.TrimSpace(cmp.Or(card.Maker, cid.ManufacturerID.String()) + " " + strings.TrimSpace(cid.Name))
}

// factsSentence tells what the operator noted of a card.
func factsSentence(facts map[string]string) string {
	price := strings.TrimSpace(facts["price"] + " " + facts["currency"])
	if facts["price"] == "" {
		price = ""
	}
	return strings.Join(nonEmpty(price, prefixed("series ", facts["series"]), prefixed("from ", facts["seller"]),
		prefixed("bought ", facts["bought"]), prefixed("rated ", facts["rated"]), facts["note"]), ", ")
}

// WriteCardPage prints one card: what it is, what was noted of it and when, and what was done to it.
func WriteCardPage(w io.Writer, d *CardPage) error {
	p := &page{}
	c := &d.Card
	text := fmt.Sprintf("Card %d", c.CardID)
	if c.Label != "" {
		text += ", label " + c.Label
	}
	if bytes := sizeOf(c); bytes > 0 {
		text += ", " + Capacity(bytes)
	}
	p.plain(text + ".")
	earlier := slices.DeleteFunc(slices.Clone(c.Labels), func(label string) bool { return label == c.Label })
	p.add("Labels", prefixed("before: ", strings.Join(earlier, ", ")))
	p.add("Maker", makerAndName(c))
	p.add("CID", c.CID)
	p.add("Registers", registersSentence(c.Registers))
	p.add("Noted", factsSentence(c.Facts))
	addHistory(p, d.History)
	p.add("Runs", runsSentence(c))
	for i := range d.Runs {
		p.add("", runSentence(&d.Runs[i]))
	}
	addChecks(p, d.Checks)
	return p.writeTo(w)
}

// registersSentence tells what the registers promise.
func registersSentence(r *logbook.Registers) string {
	if r == nil {
		return ""
	}
	claims := r.Claims()
	text := strings.Join(nonEmpty(r.Kind, prefixed("claims ", claims.String())), ", ")
	if r.CapacityBytes > 0 {
		text += fmt.Sprintf(", %d bytes by its CSD", r.CapacityBytes)
	}
	if r.AUBytes > 0 {
		text += ", allocation units of " + Size(r.AUBytes)
	}
	return text
}

// addHistory tells how what was noted came to be.
func addHistory(p *page, history []logbook.CardFact) {
	name := "History"
	for _, fact := range history {
		value := fact.Value
		if value == "" {
			value = "taken back"
		}
		p.add(name, fmt.Sprintf("%s  %s: %s", fact.NotedAt.Local().Format(timeLayout), fact.Name, value))
		name = ""
	}
}

// runsSentence counts a card's runs.
func runsSentence(card *logbook.CardRecord) string {
	if card.Runs == 0 {
		return "none"
	}
	return count(card.Runs, "run") + ", the latest first:"
}

// runSentence is one run in a line.
func runSentence(record *logbook.Record) string {
	parts := nonEmpty(string(record.Operation), string(record.Verdict), string(record.Pace))
	if hasRate(&record.Run) {
		parts = append(parts, Rate(record.Write.SustainedBytesPerSecond))
	}
	return fmt.Sprintf("%s  run %d: %s", record.StartedAt.Local().Format(timeLayout), record.RunID,
		strings.Join(append(parts, nonEmpty(record.Image.Name)...), ", "))
}

// addChecks tells the checks of a card's size.
func addChecks(p *page, checks []logbook.CapacityRecord) {
	name := "Size"
	for i := range checks {
		c := &checks[i]
		verdict := cmp.Or(c.Verdict, "not finished")
		if c.TrueBytes != nil && c.Verdict != "" {
			verdict += fmt.Sprintf(", %d bytes", *c.TrueBytes)
		}
		p.add(name, fmt.Sprintf("%s  check %d, %s: %s", c.StartedAt.Local().Format(timeLayout), c.CheckID, c.Mode, verdict))
		name = ""
	}
}

// Makers prints the names that the operator gave to makers' numbers.
func Makers(w io.Writer, makers []logbook.Maker) error {
	p := &page{}
	for _, m := range makers {
		p.add(fmt.Sprintf("0x%02x", m.ManufacturerID), m.Name+" ("+map[string]string{logbook.KindSD: "SD cards", logbook.KindEMMC: "eMMC modules"}[m.Kind]+")")
	}
	if len(makers) == 0 {
		p.plain("No maker is named.")
	}
	return p.writeTo(w)
}
