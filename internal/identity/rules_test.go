package identity_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"cardwright/internal/identity"
)

// A ruleCase changes a sound card. The findings are to be exactly those of want; "!" stands behind a warning.
type ruleCase struct {
	name     string
	change   func(r *registers, s *identity.Situation)
	want     string // codes with spaces between
	evidence string // part of the first finding's
}

// runRules starts each case with the invented modern card, whose situation fits it.
func runRules(t *testing.T, cases []ruleCase) {
	t.Helper()
	for _, c := range cases {
		r := modern()
		situation := identity.Situation{Today: today}
		c.change(&r, &situation)
		findings := r.card(t, identity.KindSD).Contradictions(situation)
		if got := summary(findings); !slices.Equal(got, strings.Fields(c.want)) {
			t.Errorf("%s: got %q, want %q", c.name, got, c.want)
			continue
		}
		if len(findings) > 0 && !strings.Contains(findings[0].Evidence, c.evidence) {
			t.Errorf("%s: evidence %q lacks %q", c.name, findings[0].Evidence, c.evidence)
		}
	}
}

func cid(high, low int, value uint64) func(*registers, *identity.Situation) {
	return func(r *registers, _ *identity.Situation) { r.cid = with(r.cid, high, low, value) }
}

func csd(high, low int, value uint64) func(*registers, *identity.Situation) {
	return func(r *registers, _ *identity.Situation) { r.csd = with(r.csd, high, low, value) }
}

func scr(high, low int, value uint64) func(*registers, *identity.Situation) {
	return func(r *registers, _ *identity.Situation) { r.scr = with(r.scr, high, low, value) }
}

func ssr(high, low int, value uint64) func(*registers, *identity.Situation) {
	return func(r *registers, _ *identity.Situation) { r.ssr = with(r.ssr, high, low, value) }
}

func all(changes ...func(*registers, *identity.Situation)) func(*registers, *identity.Situation) {
	return func(r *registers, s *identity.Situation) {
		for _, change := range changes {
			change(r, s)
		}
	}
}

func only(these registers) func(*registers, *identity.Situation) {
	return func(r *registers, _ *identity.Situation) { *r = these }
}

// TestChecksums takes registers whose checksums other programs made (CRC7 of Physical Layer Specification 4.10, 4.5), and spoils
// them. A host may clear the last bit, or drop the checksum.
func TestChecksums(t *testing.T) {
	const cid, csd = "015041593038414713daa1bff40125", "400e00325b590000ffff7f800a4000"
	runRules(t, []ruleCase{
		{"CID", only(registers{cid: cid + "2f"}), "", ""},
		{"CID, end bit cleared", only(registers{cid: cid + "2e"}), "", ""},
		{"CID, dropped", only(registers{cid: cid + "00"}), "", ""},
		{"CID, one bit wrong", only(registers{cid: cid + "2d"}), "cid-checksum-wrong!", cid + "2d"},
		{"CSD", only(registers{csd: csd + "03"}), "", ""},
		{"CSD, end bit cleared", only(registers{csd: csd + "02"}), "", ""},
		{"CSD, dropped", only(registers{csd: csd + "00"}), "", ""},
		{"CSD, one bit wrong", only(registers{csd: csd + "07"}), "csd-checksum-wrong!", csd + "07"},
	})
}

// TestIdentityFields follows Physical Layer Specification 4.10, 5.2: OEM and name are ASCII. That makers leave serials at 0, and
// fill names up with zeros, is common practice.
func TestIdentityFields(t *testing.T) {
	const zeros, ones = "00000000000000000000000000000000", "ffffffffffffffffffffffffffffffff"
	runRules(t, []ruleCase{
		{"zeros", only(registers{cid: zeros}), "cid-blank!", zeros},
		{"ones", only(registers{cid: ones}), "cid-blank!", ones},
		{"maker 0", cid(127, 120, 0), "maker-blank", "MID 0x00"},
		{"maker 255", cid(127, 120, 255), "maker-blank", "MID 0xff"},
		{"maker 1", cid(127, 120, 1), "", ""},
		{"maker 254", cid(127, 120, 254), "", ""},
		{"OEM with a control character", cid(119, 104, 0x4107), "oem-not-printable!", `OID "A\x07"`},
		{"OEM beyond ASCII", cid(119, 104, 0xe941), "oem-not-printable!", `OID "\xe9A"`},
		{"OEM that is a letter beyond ASCII", cid(119, 104, 0xda80), "oem-not-printable!", `OID "\xda\x80"`},
		{"OEM begins with zero", cid(119, 104, 0x0041), "oem-not-printable!", `OID "\x00A"`},
		{"OEM of zeros", cid(119, 104, 0), "oem-not-printable!", `OID "\x00\x00"`},
		{"OEM ends with zero", cid(119, 104, 0x4100), "oem-padded-with-zeros", `OID "A\x00"`},
		{"OEM of spaces", cid(119, 104, 0x2020), "oem-blank", `OID "  "`},
		{"OEM at the ends of what is printable", cid(119, 104, 0x217e), "", ""},
		{"name with DEL", cid(103, 64, 0x54455354_7f), "name-not-printable!", `PNM "TEST\x7f"`},
		{"name with zeros within", cid(103, 64, 0x5400535420), "name-not-printable!", `PNM "T\x00ST "`},
		{"name ends with zeros", cid(103, 64, 0x5445530000), "name-padded-with-zeros", `PNM "TES\x00\x00"`},
		{"name of spaces", cid(103, 64, 0x2020202020), "name-blank", `PNM "     "`},
		{"name ends with spaces", cid(103, 64, 0x5344202020), "", ""},
		{"month 0", cid(11, 8, 0), "date-month-impossible!", "2020-00"},
		{"month 1", cid(11, 8, 1), "", ""},
		{"month 12", cid(11, 8, 12), "", ""},
		{"month 13", cid(11, 8, 13), "date-month-impossible!", "2020-13"},
		{"serial of zeros", cid(55, 24, 0), "serial-blank", "0x00000000"},
		{"serial of ones", cid(55, 24, 0xffffffff), "serial-blank", "0xffffffff"},
		{"serial 1", cid(55, 24, 1), "", ""},
		{"serial of all ones but the last", cid(55, 24, 0xfffffffe), "", ""},
	})
}

func TestSerialInSequence(t *testing.T) {
	for _, serial := range []uint64{
		0x01234567, 0x12345678, 0x89abcdef, 0x9abcdef0, 0x34567890, 0x78901234, // upwards, over the end of the digits too
		0x87654321, 0xfedcba98, 0x32109876, 0x11111111, 0xaaaaaaaa,
		123456, 12345678, 123456789, 1234567890, 987654321, 654321, 111111, 3333333333,
	} {
		runRules(t, []ruleCase{{"in sequence", cid(55, 24, serial), "serial-in-sequence", "PSN 0x"}})
	}
	for _, serial := range []uint64{
		7, 12345, 99999, 0x00000011, 0x00012345, 0x12345679, 0x02345678, 0x13579bdf, 0x3456789f, 0x11111112, 0x12121212, 0x89abcde0, 1234568,
		112345, 0xdaa1bff4, 123457, 2111111,
	} {
		runRules(t, []ruleCase{{"not in sequence", cid(55, 24, serial), "", ""}})
	}
}

func TestDates(t *testing.T) {
	date := func(year, month uint64) func(*registers, *identity.Situation) {
		return cid(19, 8, (year-2000)<<4|month)
	}
	noClock := func(_ *registers, s *identity.Situation) { s.Today = time.Time{} }
	runRules(t, []ruleCase{
		{"this month", date(2026, 11), "", ""},
		{"next month", date(2026, 12), "date-in-future!", "MDT 2026-12, this host's date 2026-11-26"},
		{"next year", date(2027, 1), "date-in-future!", "MDT 2027-01"},
		{"this year, a month that is none", date(2026, 13), "date-month-impossible!", "MDT 2026-13"},
		{"next year, a month that is none", date(2027, 0), "date-month-impossible! date-in-future!", "MDT 2027-00"},
		{"no clock", all(date(2255, 12), noClock), "", ""},
		{"2255", date(2255, 12), "date-in-future!", "MDT 2255-12"},
	})
	// The years in which the versions were finished, from memory, but for 5.1 of November 2016.
	for _, c := range []struct {
		scr  string // SD_SPEC, SD_SPEC3, SD_SPEC4 and SD_SPECX of Physical Layer Specification 4.10, 5.6, and of later ones
		year uint64
	}{
		{"0025000000000000", 2000},
		{"0125000000000000", 2004},
		{"0225000000000000", 2006},
		{"0225800000000000", 2009},
		{"0225840000000000", 2011},
		{"0225804000000000", 2016},
		{"0225844000000000", 2016},
		{"0225808000000000", 2017},
		{"022580c000000000", 2018},
		{"0225810000000000", 2020},
		{"0225814000000000", 2000}, // a later version, which is a hint of its own
	} {
		with := only(registers{cid: modern().cid, scr: c.scr})
		findings := ""
		if c.scr == "0225814000000000" {
			findings = "spec-version-unknown"
		}
		runRules(t, []ruleCase{{"as old as its version " + c.scr, all(with, date(c.year, 1)), findings, ""}})
		if c.year > 2000 {
			older := all(with, date(c.year-1, 12))
			runRules(t, []ruleCase{{"older than its version " + c.scr, older, "date-before-version!", "-12, SD_SPEC"}})
		}
	}
}
