package identity_test

import (
	"bytes"
	"encoding/json"
	"slices"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"

	"cardwright/internal/identity"
)

// decodedTwice decodes registers and expects the same again, as JSON, from bytes that stay as they were.
func decodedTwice(t *testing.T, raw *identity.Raw) *identity.Card {
	t.Helper()
	before := identity.Raw{
		Kind: raw.Kind, CID: slices.Clone(raw.CID), CSD: slices.Clone(raw.CSD), SCR: slices.Clone(raw.SCR), SSR: slices.Clone(raw.SSR),
	}
	card := identity.Decode(raw)
	first, err := json.Marshal(card)
	if err != nil {
		t.Fatal(err)
	}
	second, err := json.Marshal(identity.Decode(raw))
	if err != nil || !bytes.Equal(first, second) {
		t.Errorf("decoded twice: %v\n%s\n%s", err, first, second)
	}
	if !bytes.Equal(before.CID, raw.CID) || !bytes.Equal(before.CSD, raw.CSD) || !bytes.Equal(before.SCR, raw.SCR) ||
		!bytes.Equal(before.SSR, raw.SSR) || before.Kind != raw.Kind {
		t.Error("decoding changed what was read")
	}
	return card
}

// expectSound expects each register of its length to be decoded, wholly, and no other.
func expectSound(t *testing.T, raw *identity.Raw) {
	t.Helper()
	card := decodedTwice(t, raw)
	if (card.CID != nil) != (len(raw.CID) == 16) || (card.CSD != nil) != (len(raw.CSD) == 16) ||
		(card.SCR != nil) != (len(raw.SCR) == 8) || (card.SSR != nil) != (len(raw.SSR) == 64) {
		t.Fatalf("%+v of %+v", card, raw)
	}
	if card.CID != nil {
		expectWhole(t, raw.CID, card.CID.Fields)
		expectPrintable(t, card.CID.OEMID+card.CID.Name)
	}
	if card.CSD != nil {
		expectWhole(t, raw.CSD, card.CSD.Fields)
		if card.CSD.CapacityBytes < 0 || card.CSD.CapacityBytes > 128<<40 {
			t.Errorf("a card of %d bytes", card.CSD.CapacityBytes)
		}
	}
	if card.SCR != nil {
		expectWhole(t, raw.SCR, card.SCR.Fields)
	}
	if card.SSR != nil {
		expectWhole(t, raw.SSR, card.SSR.Fields)
	}
}

func expectPrintable(t *testing.T, text string) {
	t.Helper()
	for _, b := range []byte(text) {
		if b < 0x20 || b > 0x7e {
			t.Errorf("%q is not fit for a terminal", text)
		}
	}
}

// kindOf is the kind that a number chooses.
func kindOf(choice byte) identity.Kind {
	return []identity.Kind{"", identity.KindSD, identity.KindEMMC}[choice%3]
}

func FuzzCID(f *testing.F) {
	f.Add(byte(1), unhex(f, dumpedCID), byte(0))
	f.Add(byte(2), unhex(f, emmcCID), byte(8))
	f.Add(byte(0), unhex(f, "fe343201ff024142100000000101ede7"), byte(5))
	f.Fuzz(func(t *testing.T, kind byte, register []byte, revision byte) {
		expectSound(t, &identity.Raw{Kind: kindOf(kind), CID: register, EXTCSDRevision: &revision})
		expectSound(t, &identity.Raw{Kind: kindOf(kind), CID: register})
	})
}

func FuzzCSD(f *testing.F) {
	f.Add(byte(1), unhex(f, dumpedCSD))
	f.Add(byte(1), unhex(f, "002600325b598389c001cfff9240006d"))
	f.Add(byte(1), unhex(f, "800e00325b59004000007f800a4000b5"))
	f.Add(byte(2), unhex(f, "d00f00320f5903ffffffffef92400000"))
	f.Fuzz(func(t *testing.T, kind byte, register []byte) {
		expectSound(t, &identity.Raw{Kind: kindOf(kind), CSD: register})
	})
}

func FuzzSCR(f *testing.F) {
	f.Add(unhex(f, dumpedSCR))
	f.Add(unhex(f, "0245848700000000"))
	f.Fuzz(func(t *testing.T, register []byte) { expectSound(t, &identity.Raw{SCR: register}) })
}

func FuzzSSR(f *testing.F) {
	f.Add(unhex(f, dumpedSSR))
	f.Add(slices.Repeat([]byte{0x1e}, 64))
	f.Fuzz(func(t *testing.T, register []byte) { expectSound(t, &identity.Raw{SSR: register}) })
}

func FuzzHealth(f *testing.F) {
	f.Add(byte(8), byte(1), byte(11), byte(2))
	f.Fuzz(func(t *testing.T, revision, typeA, typeB, preEOL byte) {
		card := decodedTwice(t, &identity.Raw{EXTCSDRevision: &revision, LifeTimeA: &typeA, LifeTimeB: &typeB, PreEOL: &preEOL})
		expectValues(t, card.Health, map[string]uint64{
			"EXT_CSD_REV": uint64(revision), "PRE_EOL_INFO": uint64(preEOL),
			"DEVICE_LIFE_TIME_EST_TYP_A": uint64(typeA), "DEVICE_LIFE_TIME_EST_TYP_B": uint64(typeB),
		})
		if card.Health.LifeTimeA == "" || card.Health.LifeTimeB == "" || card.Health.PreEOL == "" {
			t.Errorf("a value without a word: %+v", card.Health)
		}
	})
}

// FuzzReadFolder reads folders of random contents. Each file that is there is read or told as unread.
func FuzzReadFolder(f *testing.F) {
	f.Add(dumpedCID+"\n", dumpedCSD, dumpedSCR, dumpedSSR, "0x01 0x02\n", "0x01", "0x8\n", "SD\n", byte(0))
	f.Add(emmcCID, "", "", "", "0x01 0x0b\n", "02\n", "0x8\n", "MMC\n", byte(0x0e))
	f.Add("zz", "00", "0x", "\x00", "1 2 3", "-1", "0x100", "SDIO", byte(0xff))
	f.Fuzz(func(t *testing.T, cid, csd, scr, ssr, lifeTime, preEOL, rev, kind string, missing byte) {
		contents := []string{
			"cid", cid, "csd", csd, "scr", scr, "ssr", ssr, "life_time", lifeTime, "pre_eol_info", preEOL, "rev", rev, "type", kind,
		}
		folder := folderOf(contents...)
		for i := range 8 {
			if missing>>i&1 == 1 {
				delete(folder, contents[2*i])
			}
		}
		raw, err := identity.ReadFolder(folder)
		if err != nil {
			if missing&0x3f != 0x3f {
				t.Errorf("%v, though there are files", err)
			}
			return
		}
		again, err := identity.ReadFolder(folder)
		if err != nil || !cmp.Equal(raw, again) {
			t.Errorf("read twice: %v\n%s", err, cmp.Diff(raw, again))
		}
		expectAccounted(t, folder, raw)
		expectSound(t, raw)
	})
}

// expectAccounted expects each file to be understood or unread, one of both, and what is told of it to be short.
func expectAccounted(t *testing.T, folder fstest.MapFS, raw *identity.Raw) {
	t.Helper()
	understood := map[string]bool{
		"cid": raw.CID != nil, "csd": raw.CSD != nil, "scr": raw.SCR != nil, "ssr": raw.SSR != nil, "rev": raw.EXTCSDRevision != nil,
		"life_time": raw.LifeTimeA != nil && raw.LifeTimeB != nil, "pre_eol_info": raw.PreEOL != nil,
	}
	for name, is := range understood {
		unread := slices.ContainsFunc(raw.Unread, func(u identity.Unread) bool { return u.File == name })
		if _, there := folder[name]; is && unread || (is || unread) != there {
			t.Errorf("%s: there %v, understood %v, unread %v", name, there, is, unread)
		}
	}
	for _, u := range raw.Unread {
		if len(u.Why) > 300 {
			t.Errorf("%d bytes are told of %s", len(u.Why), u.File)
		}
		expectPrintable(t, u.Why)
	}
}
