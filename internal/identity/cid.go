package identity

import (
	"encoding/hex"
	"fmt"
)

// decodeCID reads a CID of 16 bytes. The two kinds keep different layouts (bytes from the first):
//
//	SD    (Physical Layer Specification 4.10, 5.2)  maker 1, OEM 2, name 5, revision 1, serial 4, reserved and date 2, sum 1
//	eMMC  (JESD84-B51, 7.2)                         maker 1, CBX 1, OEM 1, name 6, revision 1, serial 4, date 1, sum 1
//
// So the serial of an eMMC lies 8 bits further back. emmcRevision is its EXT_CSD_REV, nil where unknown.
func decodeCID(kind Kind, register []byte, emmcRevision *uint8) *CID {
	cid := &CID{
		Raw:            hex.EncodeToString(register),
		ManufacturerID: ID(register[0]),
		CRCOK:          sumIsRight(register),
	}
	var layout []span
	if kind == KindEMMC {
		layout = cid.takeEMMC(register, emmcRevision)
	} else {
		layout = cid.takeSD(register)
	}
	cid.Fields = fieldsOf(register, append(layout, endSpans(register)...))
	return cid
}

func (c *CID) takeSD(register []byte) []span {
	c.OEMID, c.Name = quoted(register[1:3]), quoted(register[3:8])
	c.Revision = revision(uint64(register[8]))
	c.Serial = Serial(number(register, 55, 24))
	c.date(2000+int(number(register, 19, 12)), int(number(register, 11, 8)))
	return []span{
		{"MID", 127, 120, says("maker " + c.ManufacturerID.String())},
		{"OID", 119, 104, says(`"` + c.OEMID + `"`)},
		{"PNM", 103, 64, says(`"` + c.Name + `"`)},
		{"PRV", 63, 56, revisionMeaning},
		{"PSN", 55, 24, counted(0, "as a number")},
		{reserved, 23, 20, nil},
		{"MDT", 19, 8, says(dateMeaning(c.Month, fmt.Sprint(c.Year)))},
	}
}

func (c *CID) takeEMMC(register []byte, emmcRevision *uint8) []span {
	c.OEMID, c.Name = fmt.Sprintf("0x%04x", number(register, 119, 104)), quoted(register[3:9])
	c.Revision = revision(uint64(register[9]))
	c.Serial = Serial(number(register, 47, 16))
	year, years := emmcYear(int(number(register, 11, 8)), emmcRevision)
	c.date(year, int(number(register, 15, 12)))
	return []span{
		{"MID", 127, 120, says("maker " + c.ManufacturerID.String())},
		{reserved, 119, 114, nil},
		{"CBX", 113, 112, codes("a card", "soldered (BGA)", "soldered onto another chip (POP)")},
		{"OID", 111, 104, counted(0, "as a number")},
		{"PNM", 103, 56, says(`"` + c.Name + `"`)},
		{"PRV", 55, 48, revisionMeaning},
		{"PSN", 47, 16, counted(0, "as a number")},
		{"MDT", 15, 8, says(dateMeaning(c.Month, years))},
	}
}

func (c *CID) date(year, month int) {
	c.Year, c.Month = year, month
	c.Manufactured = fmt.Sprintf("%04d-%02d", year, month)
}

// revision writes the two digits of a PRV, one in each half of its byte.
func revision(prv uint64) string { return fmt.Sprintf("%d.%d", prv>>4, prv&15) }

func revisionMeaning(prv uint64) string {
	if prv>>4 > 9 || prv&15 > 9 {
		return revision(prv) + ", which are no decimal digits"
	}
	return revision(prv)
}

func dateMeaning(month int, year string) string {
	if month < 1 || month > 12 {
		return fmt.Sprintf("month %d, which is none, of %s", month, year)
	}
	return fmt.Sprintf("month %d of %s", month, year)
}
