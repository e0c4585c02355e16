package identity

import "cmp"

// Decode says what registers mean. A register of another length than Raw states stays nil. A Raw without a kind is decoded as
// what its registers look like, which is a guess: see Kind.
func Decode(raw *Raw) *Card {
	card := &Card{Kind: cmp.Or(raw.Kind, raw.guess()), Health: decodeHealth(raw)}
	if len(raw.CID) == cidBytes {
		card.CID = decodeCID(card.Kind, raw.CID, raw.EXTCSDRevision)
	}
	if len(raw.CSD) == csdBytes {
		card.CSD = decodeCSD(card.Kind, raw.CSD)
	}
	if len(raw.SCR) == scrBytes {
		card.SCR = decodeSCR(raw.SCR)
	}
	if len(raw.SSR) == ssrBytes {
		card.SSR = decodeSSR(raw.SSR)
	}
	return card
}

// guess tells the kind by which registers there are, or else by what they look like. An eMMC's CID has a number of 0 to 2 where
// an SD card's has a letter, and its name has a sixth letter; its CSD has a version in bits that SD reserves.
func (raw *Raw) guess() Kind {
	switch {
	case len(raw.SCR) == scrBytes || len(raw.SSR) == ssrBytes:
		return KindSD
	case raw.LifeTimeA != nil || raw.LifeTimeB != nil || raw.PreEOL != nil || raw.EXTCSDRevision != nil:
		return KindEMMC
	case len(raw.CID) == cidBytes:
		return kindIf(raw.CID[1] <= 2 && raw.CID[8] >= 0x20 && raw.CID[8] < 0x7f)
	case len(raw.CSD) == csdBytes:
		return kindIf(number(raw.CSD, 125, 122) != 0)
	}
	return ""
}

func kindIf(emmc bool) Kind {
	if emmc {
		return KindEMMC
	}
	return KindSD
}
