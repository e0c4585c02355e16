package identity_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"cardwright/internal/identity"
)

// inventedEMMC is a CID laid out by JESD84-B51, 7.2: maker 7f, a chip of BGA, "TST08G", serial 8f2c61d9, May, year code 13.
const inventedEMMC = "7f01005453543038471a8f2c61d95d00"

// TestEMMCHasItsOwnRules: its OEM is a number, its year has four bits, and it has no SD status; its size is not told by the CSD.
func TestEMMCHasItsOwnRules(t *testing.T) {
	number := func(value uint8) *uint8 { return &value }
	sound := identity.Raw{
		Kind: identity.KindEMMC, CID: fromHex(t, inventedEMMC), CSD: fromHex(t, "d02701320f5903fff6dbffef8e40400d"),
		EXTCSDRevision: number(8), LifeTimeA: number(1), LifeTimeB: number(0x0b), PreEOL: number(3),
	}
	situation := identity.Situation{
		KernelSizeBytes: 8 << 30, Today: time.Date(2012, 1, 1, 0, 0, 0, 0, time.UTC),
		Printed: identity.Claims{VideoClass: 90, AppClass: 2},
	}
	cid := func(high, low int, value uint64) func(*identity.Raw) {
		return func(raw *identity.Raw) { raw.CID = fromHex(t, with(inventedEMMC, high, low, value)) }
	}
	for name, c := range map[string]struct {
		change func(*identity.Raw)
		want   string
	}{
		"sound":                      {func(*identity.Raw) {}, ""},
		"name with a control":        {cid(63, 56, 7), "name-not-printable!"},
		"name that ends with a zero": {cid(63, 56, 0), "name-padded-with-zeros"},
		"month 0":                    {cid(15, 12, 0), "date-month-impossible!"},
		"month 13":                   {cid(15, 12, 13), "date-month-impossible!"},
		"any year":                   {cid(11, 8, 15), ""},
		"serial 0":                   {cid(47, 16, 0), "serial-blank"},
		"serial in sequence":         {cid(47, 16, 0x12345678), "serial-in-sequence"},
		"maker 0":                    {cid(127, 120, 0), "maker-blank"},
		"wrong checksum": {
			func(raw *identity.Raw) { raw.CID = fromHex(t, strings.TrimSuffix(inventedEMMC, "00")+"02") }, "cid-checksum-wrong!",
		},
		"pre-EOL 4":       {func(raw *identity.Raw) { raw.PreEOL = number(4) }, "reserved-code"},
		"life time A 12":  {func(raw *identity.Raw) { raw.LifeTimeA = number(12) }, "reserved-code"},
		"life time B 255": {func(raw *identity.Raw) { raw.LifeTimeB = number(255) }, "reserved-code"},
	} {
		raw := sound
		c.change(&raw)
		if got := summary(identity.Decode(&raw).Contradictions(situation)); !slices.Equal(got, strings.Fields(c.want)) {
			t.Errorf("%s: got %q, want %q", name, got, c.want)
		}
	}
}
