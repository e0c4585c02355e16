package identity_test

import (
	"encoding/binary"
	"testing"

	"cardwright/internal/identity"
)

// TestSpecVersion goes through the table of versions: 1.0 to 2.00 as Linux reads them, 3.0x and 4.xx from the Physical Layer
// Specification 4.10, p. 127, 5.x to 8.x from an open driver's header; that SD_SPEC4 may be either there is from memory.
func TestSpecVersion(t *testing.T) {
	for _, c := range []struct {
		spec, spec3, spec4, specX uint64
		want                      string
	}{
		{0, 0, 0, 0, "1.0/1.01"},
		{1, 0, 0, 0, "1.10"},
		{2, 0, 0, 0, "2.00"},
		{2, 1, 0, 0, "3.0x"},
		{2, 1, 1, 0, "4.xx"},
		{2, 1, 0, 1, "5.x"},
		{2, 1, 1, 1, "5.x"},
		{2, 1, 0, 2, "6.x"},
		{2, 1, 1, 2, "6.x"},
		{2, 1, 1, 3, "7.x"},
		{2, 1, 0, 4, "8.x"},
		{2, 1, 0, 5, "unknown"},
		{2, 1, 1, 15, "unknown"},
		{3, 0, 0, 0, "unknown"},
		{2, 0, 1, 0, "unknown"},
		{2, 0, 0, 1, "unknown"},
		{1, 1, 0, 0, "unknown"},
		{0, 0, 1, 0, "unknown"},
	} {
		register := binary.BigEndian.AppendUint64(nil, c.spec<<56|c.spec3<<47|c.spec4<<42|c.specX<<38)
		scr := identity.Decode(&identity.Raw{SCR: register}).SCR
		if scr.SpecVersion != c.want || scr.Spec3 != (c.spec3 == 1) {
			t.Errorf("%+v: got %q, SPEC3 %v", c, scr.SpecVersion, scr.Spec3)
		}
		expectValues(t, scr, map[string]uint64{"SD_SPEC": c.spec, "SD_SPEC3": c.spec3, "SD_SPEC4": c.spec4, "SD_SPECX": c.specX})
		expectWhole(t, register, scr.Fields)
	}
}

// TestSCRMeanings follows the Physical Layer Specification 4.10, 5.6.
func TestSCRMeanings(t *testing.T) {
	for name, c := range map[string]struct{ register, field, want string }{
		"security of SDSC":        {"0220000000000000", "SD_SECURITY", "SDSC"},
		"security of SDHC":        {"0230000000000000", "SD_SECURITY", "SDHC"},
		"security of SDXC":        {"0240000000000000", "SD_SECURITY", "SDXC"},
		"no security":             {"0205000000000000", "SD_SECURITY", "none"},
		"security not used":       {"0210000000000000", "SD_SECURITY", "not used"},
		"security that is none":   {"0270000000000000", "SD_SECURITY", "reserved code 0x07"},
		"both widths":             {"0235000000000000", "SD_BUS_WIDTHS", "widths: 1 bit, 4 bits"},
		"a width that is none":    {"0232000000000000", "SD_BUS_WIDTHS", "widths: reserved bit 1"},
		"commands":                {"0235000f00000000", "CMD_SUPPORT", "optional commands: CMD20, CMD23, CMD48/49, CMD58/59"},
		"a structure that is not": {"1235000000000000", "SCR_STRUCTURE", "reserved code 0x01"},
		"a version that is not":   {"0935000000000000", "SD_SPEC", "reserved code 0x09"},
		"an odd combination":      {"0035800000000000", "SD_SPEC3", "part of a combination that is no known version"},
		"a later version":         {"0235800200000000", "SD_SPECX", "part of version 3.0x"},
		"the maker's":             {"02358000deadbeef", "reserved for the manufacturer", "the maker's own"},
	} {
		register := unhex(t, c.register)
		scr := identity.Decode(&identity.Raw{SCR: register}).SCR
		if got := meaningOf(t, scr.Fields, c.field); got != c.want {
			t.Errorf("%s: got %q, want %q", name, got, c.want)
		}
		expectWhole(t, register, scr.Fields)
	}
}
