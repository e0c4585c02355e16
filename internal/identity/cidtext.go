package identity

import (
	"encoding/hex"
	"strings"
)

// TellingCID gives a CID in the one form in which it is kept and compared, lower-case digits, or "" for a text that is no CID or tells
// no card from another: one of zeros or ones alone is what a reader gives that could not read it.
func TellingCID(text string) string {
	raw, err := hex.DecodeString(text)
	if err != nil || len(raw) != cidBytes || strings.Trim(text, "0") == "" || strings.Trim(text, "fF") == "" {
		return ""
	}
	return hex.EncodeToString(raw)
}

// KindOfCID tells an eMMC's CID from an SD card's by its looks, where nothing else of the card is known: see Kind. It is "" for a text
// that is no CID.
func KindOfCID(text string) Kind {
	raw, err := hex.DecodeString(text)
	if err != nil || len(raw) != cidBytes {
		return ""
	}
	return (&Raw{CID: raw}).guess()
}

// Product is the part of a CID that cards of one product share, "" for what is no CID or tells no card from another. SD cards
// (Physical Layer Specification 4.10, table 5-2) keep maker, OEM, a name of five letters and the revision in the first 9 bytes.
// An eMMC (JESD84-B51, 7.2) has a name of six letters, so it takes 10; its second byte is 0 to 2, where an SD card's is a letter.
func Product(cid string) string {
	const sdBytes, emmcBytes = 9, 10
	cid = TellingCID(cid)
	switch KindOfCID(cid) {
	case KindEMMC:
		return cid[:2*emmcBytes]
	case KindSD:
		return cid[:2*sdBytes]
	}
	return ""
}

// tellsCards tells whether a text is a CID that tells one card from another.
func tellsCards(cid string) bool { return TellingCID(cid) != "" }

// identityOf is a CID without its last byte, the checksum, which some hosts deliver and others do not.
func identityOf(cid string) string { return strings.ToLower(cid[:2*(cidBytes-1)]) }
