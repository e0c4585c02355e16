package identity

import (
	"encoding/binary"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// aboutIdentity looks at the fields of the CID that both kinds have.
func (d *doubts) aboutIdentity() {
	cid := d.card.CID
	if cid == nil {
		return
	}
	if !tellsCards(cid.Raw) {
		d.contradiction("cid-blank",
			"The card's identity (CID) holds zeros or ones alone, as where it was never filled in or not read.", "CID "+cid.Raw)
		return
	}
	if cid.ManufacturerID == 0 || cid.ManufacturerID == 0xff {
		d.hint("maker-blank", "The maker's number looks as if it was never filled in.", "MID "+cid.ManufacturerID.String())
	}
	if d.card.Kind == KindSD { // an eMMC's OEM is a number
		d.text(oemCodes, "OEM", "OID", 2)
		d.text(nameCodes, "name", "PNM", 5)
	} else {
		d.text(nameCodes, "name", "PNM", 6)
	}
	if cid.Month < 1 || cid.Month > 12 {
		d.contradiction("date-month-impossible", "The month in which the card says it was made does not exist.",
			"MDT "+cid.Manufactured)
	}
	switch serial := uint32(cid.Serial); {
	case serial == 0 || serial == 0xffffffff:
		d.hint("serial-blank", "The serial number looks as if it was never filled in; some makers leave it so.",
			"PSN "+cid.Serial.String())
	case inSequence(serial):
		d.hint("serial-in-sequence", "The serial number's digits repeat or follow one another, as if it was made up.",
			fmt.Sprintf("PSN %s (%d)", cid.Serial, serial))
	}
}

// A textCodes are the codes of findings on a text of the CID, written out where whoever looks for one finds it.
type textCodes struct{ notPrintable, padded, blank string }

var (
	oemCodes  = textCodes{"oem-not-printable", "oem-padded-with-zeros", "oem-blank"}
	nameCodes = textCodes{"name-not-printable", "name-padded-with-zeros", "name-blank"}
)

// text looks at a field of the CID that is to hold printable ASCII. Zeros behind the text are a common way to fill it up.
func (d *doubts) text(codes textCodes, word, field string, length int) {
	value, ok := d.card.CID.Value(field)
	if !ok {
		return
	}
	text := string(binary.BigEndian.AppendUint64(nil, value)[8-length:])
	unfilled := strings.TrimRight(text, "\x00")
	evidence := fmt.Sprintf("%s \"%s\"", field, quoted([]byte(text)))
	switch {
	case unfilled == "" || strings.ContainsFunc(unfilled, func(r rune) bool { return r < ' ' || r > '~' }):
		d.contradiction(codes.notPrintable, "The card's "+word+" is not made of printable characters alone.", evidence)
	case unfilled != text:
		d.hint(codes.padded, "The card's "+word+" is filled up with zeros in place of spaces.", evidence)
	case strings.TrimSpace(text) == "":
		d.hint(codes.blank, "The card's "+word+" holds spaces alone.", evidence)
	}
}

// inSequence tells whether all digits of a number are the same, or each follows the one before, upwards or downwards: its eight
// hexadecimal ones, or its decimal ones where they are six or more, since any short number is likely to.
func inSequence(serial uint32) bool {
	const leastDecimals = 6
	hexadecimal, decimal := fmt.Sprintf("%08x", serial), strconv.FormatUint(uint64(serial), 10)
	return stepwise(hexadecimal, 16) || stepwise(hexadecimal, 10) || (len(decimal) >= leastDecimals && stepwise(decimal, 10))
}

// stepwise tells whether digits go on by the same -1, 0 or 1, where the last digit of the base is followed by 0.
func stepwise(digits string, base int) bool {
	first := -1
	for i := range len(digits) - 1 {
		from, errFrom := strconv.ParseUint(digits[i:i+1], base, 8)
		to, errTo := strconv.ParseUint(digits[i+1:i+2], base, 8)
		if errFrom != nil || errTo != nil {
			return false // a digit of a higher base
		}
		step := (int(to) - int(from) + base) % base
		if first < 0 {
			first = step
		}
		if step != first || (step > 1 && step != base-1) {
			return false
		}
	}
	return true
}

// aboutDate holds the date of an SD card against this host's clock and against the version that the card claims to follow.
func (d *doubts) aboutDate() {
	cid, scr := d.card.CID, d.card.SCR
	if cid == nil || !tellsCards(cid.Raw) {
		return
	}
	if today := d.situation.Today; !today.IsZero() && afterMonth(cid, today) {
		d.contradiction("date-in-future", "The card says it was made in a month that is yet to come, or this host's clock is slow.",
			fmt.Sprintf("MDT %s, this host's date %s", cid.Manufactured, today.Format(time.DateOnly)))
	}
	if scr == nil {
		return
	}
	if version := scr.version(); cid.Year < finishedIn[version] {
		d.contradiction("date-before-version",
			fmt.Sprintf("The card says it was made in %d and follows version %s of the specification, which is of %d.",
				cid.Year, scr.SpecVersion, finishedIn[version]),
			fmt.Sprintf("MDT %s, %s", cid.Manufactured, evidenceOf(scr, versionFields...)))
	}
}

// afterMonth tells whether a date lies after the month of a day. Of a month that is none the year alone is compared.
func afterMonth(cid *CID, day time.Time) bool {
	if cid.Year != day.Year() {
		return cid.Year > day.Year()
	}
	return cid.Month <= 12 && cid.Month > int(day.Month())
}
