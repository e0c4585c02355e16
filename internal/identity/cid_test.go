package identity_test

import (
	"strings"
	"testing"

	"cardwright/internal/identity"
)

// TestCIDOfSD decodes CIDs whose source stands beside each.
func TestCIDOfSD(t *testing.T) {
	type words struct{ maker, oem, name, revision, serial, made, sum string }
	for _, c := range []struct {
		name, cid string
		want      words
	}{
		{
			// A register dump of a real card in the tests of an open-source Rust SD library. Its host cleared the end bit: 2e for 2f.
			"dump of a card", "015041593038414713daa1bff401252e",
			words{"0x01", "PA", "Y08AG", "1.3", "0xdaa1bff4", "2018-05", "true"},
		},
		{"with its end bit", "015041593038414713daa1bff401252f", words{"0x01", "PA", "Y08AG", "1.3", "0xdaa1bff4", "2018-05", "true"}},
		{
			"without checksum", "015041593038414713daa1bff4012500",
			words{"0x01", "PA", "Y08AG", "1.3", "0xdaa1bff4", "2018-05", "not delivered"},
		},
		{"wrong checksum", "015041593038414713daa1bff401252d", words{"0x01", "PA", "Y08AG", "1.3", "0xdaa1bff4", "2018-05", "false"}},
		{
			// A public machine emulator's unit test of its SD model.
			"emulator", "1d4144534420202010a0400bc10088ad",
			words{"0x1d", "AD", "SD   ", "1.0", "0xa0400bc1", "2008-08", "true"},
		},
		{
			// Built by the table of the Physical Layer Specification 4.10, 5.2, with its examples: "6.2" is 0110 0010b, April 2001
			// is 014h.
			"examples of the specification", "7f5a5a54455354316212345678001491",
			words{"0x7f", "ZZ", "TEST1", "6.2", "0x12345678", "2001-04", "true"},
		},
		{"blank", "00000020202020200000000000000079", words{"0x00", `\x00\x00`, "     ", "0.0", "0x00000000", "2000-00", "true"}},
		{"odd", "fe343201ff024142100000000101ede7", words{"0xfe", "42", `\x01\xff\x02AB`, "1.0", "0x00000001", "2030-13", "true"}},
		{
			"name with a backslash", "7f5a5a5c783031316212345678001400",
			words{"0x7f", "ZZ", `\x5cx011`, "6.2", "0x12345678", "2001-04", "not delivered"},
		},
	} {
		register := unhex(t, c.cid)
		cid := identity.Decode(&identity.Raw{Kind: identity.KindSD, CID: register}).CID
		got := words{
			cid.ManufacturerID.String(), cid.OEMID, cid.Name, cid.Revision, cid.Serial.String(), cid.Manufactured, sumTold(cid.CRCOK),
		}
		if got != c.want || cid.Raw != c.cid {
			t.Errorf("%s: got %+v, want %+v", c.name, got, c.want)
		}
		expectWhole(t, register, cid.Fields)
	}
}

// TestCIDFieldsByName looks at the numbers of the dump (an open-source Rust SD library's tests).
func TestCIDFieldsByName(t *testing.T) {
	cid := identity.Decode(&identity.Raw{Kind: identity.KindSD, CID: unhex(t, "015041593038414713daa1bff401252e")}).CID
	expectValues(t, cid, map[string]uint64{
		"MID": 1, "OID": 0x5041, "PNM": 0x5930384147, "PRV": 0x13, "PSN": 3668033524, "MDT": 0x125, "CRC": 0x17, "end bit": 0,
	})
	if cid.Year != 2018 || cid.Month != 5 {
		t.Errorf("made in %d-%d", cid.Year, cid.Month)
	}
	if _, ok := cid.Value("CBX"); ok {
		t.Error("an SD card has a field of an eMMC")
	}
}

// TestOddFieldsAreTold decodes a CID of values that are none.
func TestOddFieldsAreTold(t *testing.T) {
	cid := identity.Decode(&identity.Raw{Kind: identity.KindSD, CID: unhex(t, "fe343201ff024142a10000000151ed00")}).CID
	for name, want := range map[string]string{
		"PNM": `"\x01\xff\x02AB"`, "PRV": "10.1, which are no decimal digits", "reserved": "reserved bits that are not 0",
		"MDT": "month 13, which is none, of 2030", "CRC": "not delivered by the host", "end bit": "cleared by the host",
	} {
		if got := meaningOf(t, cid.Fields, name); got != want {
			t.Errorf("%s: got %q, want %q", name, got, want)
		}
	}
	wrong := identity.Decode(&identity.Raw{Kind: identity.KindSD, CID: unhex(t, "1d4144534420202010a0400bc10088af")}).CID
	if got := meaningOf(t, wrong.Fields, "CRC"); got != "wrong: the content gives 0x56" { // as the emulator's tests have it
		t.Errorf("a wrong checksum: %q", got)
	}
}

// TestCIDOfEMMC decodes a CID laid out by JESD84-B51, 7.2 (as Linux decodes it in drivers/mmc/core/mmc.c): the serial lies 8 bits
// further back than an SD card's, and a date takes one byte.
func TestCIDOfEMMC(t *testing.T) {
	register := unhex(t, "7f"+"01"+"5a"+"544553543136"+"62"+"12345678"+"31"+"00")
	cid := identity.Decode(&identity.Raw{Kind: identity.KindEMMC, CID: register, EXTCSDRevision: pointer(8)}).CID
	if cid.ManufacturerID != 0x7f || cid.OEMID != "0x015a" || cid.Name != "TEST16" || cid.Revision != "6.2" ||
		cid.Serial != 0x12345678 || cid.Manufactured != "2014-03" || cid.CRCOK != nil {
		t.Errorf("got %+v", cid)
	}
	expectValues(t, cid, map[string]uint64{"CBX": 1, "OID": 0x5a, "PNM": 0x544553543136, "PSN": 0x12345678, "MDT": 0x31})
	expectWhole(t, register, cid.Fields)
	if got := meaningOf(t, cid.Fields, "CBX"); !strings.Contains(got, "BGA") { // JESD84-B51, from memory
		t.Errorf("CBX 1: %q", got)
	}
}

// TestYearOfEMMC follows the rule of Linux (drivers/mmc/core/mmc.c): from EXT_CSD revision 5 on, years before 2010 are 16 later.
func TestYearOfEMMC(t *testing.T) {
	for _, c := range []struct {
		code     byte
		revision *uint8
		year     int
		words    string
	}{
		{0, pointer(4), 1997, "month 3 of 1997"},
		{0, pointer(5), 2013, "month 3 of 2013"},
		{1, pointer(8), 2014, "month 3 of 2014"},
		{12, pointer(4), 2009, "month 3 of 2009"},
		{12, pointer(5), 2025, "month 3 of 2025"},
		{13, pointer(4), 2010, "month 3 of 2010"},
		{13, pointer(5), 2010, "month 3 of 2010"},
		{15, pointer(8), 2012, "month 3 of 2012"},
		{13, nil, 2010, "month 3 of 2010"},
		{1, nil, 2014, "month 3 of 1998 or 2014: the EXT_CSD revision, which decides, is unknown"},
	} {
		register := unhex(t, "7f015a54455354313662123456783000")
		register[14] |= c.code
		cid := identity.Decode(&identity.Raw{Kind: identity.KindEMMC, CID: register, EXTCSDRevision: c.revision}).CID
		if got := meaningOf(t, cid.Fields, "MDT"); cid.Year != c.year || cid.Month != 3 || got != c.words {
			t.Errorf("code %d: got %d, %q, want %d, %q", c.code, cid.Year, got, c.year, c.words)
		}
	}
}

// pointer makes a number that is known.
func pointer(value uint8) *uint8 { return &value }
