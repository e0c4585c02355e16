package report

import (
	"strings"

	"cardwright/internal/identity"
)

// The widths of the columns of a register's fields; what a field means takes the rest.
const (
	fieldNameColumns = 23
	fieldBitsColumns = 9
	fieldRawColumns  = 13
)

// A register is one of a card's, with its fields.
type register struct {
	name, raw string
	fields    []identity.Field
}

// registersOf gives the registers that are there.
func registersOf(card *identity.Card) (registers []register) {
	if r := card.CID; r != nil {
		registers = append(registers, register{"CID", r.Raw, r.Fields})
	}
	if r := card.CSD; r != nil {
		registers = append(registers, register{"CSD", r.Raw, r.Fields})
	}
	if r := card.SCR; r != nil {
		registers = append(registers, register{"SCR", r.Raw, r.Fields})
	}
	if r := card.SSR; r != nil {
		registers = append(registers, register{"SSR", r.Raw, r.Fields})
	}
	if r := card.Health; r != nil {
		registers = append(registers, register{"EXT_CSD", "", r.Fields})
	}
	return registers
}

// addFields tells every field of every register in columns.
func addFields(p *page, card *identity.Card) {
	for _, r := range registersOf(card) {
		p.blank()
		for i, raw := range inPieces(r.raw, screenColumns-nameColumns) {
			name := ""
			if i == 0 {
				name = r.name
			}
			p.add(name, raw)
		}
		if r.raw == "" {
			p.plain(r.name)
		}
		for _, f := range r.fields {
			addField(p, f)
		}
	}
}

// addField tells one field; only what it means may take several lines.
func addField(p *page, f identity.Field) {
	column := func(text string, width int) string { return Padded(Shortened(Printable(text), width-1), width) }
	const before = fieldNameColumns + fieldBitsColumns + fieldRawColumns
	start := column(f.Name, fieldNameColumns) + column(f.Bits, fieldBitsColumns) + column(f.Raw, fieldRawColumns)
	for _, line := range Wrapped(Printable(f.Meaning), screenColumns-before) {
		p.lines = append(p.lines, strings.TrimRight(start+line, " "))
		start = strings.Repeat(" ", before)
	}
}

// inPieces cuts a text that has no spaces.
func inPieces(text string, width int) (pieces []string) {
	for len(text) > width {
		pieces, text = append(pieces, text[:width]), text[width:]
	}
	if text != "" {
		pieces = append(pieces, text)
	}
	return pieces
}
