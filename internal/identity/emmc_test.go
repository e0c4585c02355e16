package identity_test

import (
	"testing"

	"cardwright/internal/identity"
)

// TestLifeTime follows JESD84-B51, 7.4: codes 01 and 02 as a board's wiki and a device's manual show them, the rest from memory.
func TestLifeTime(t *testing.T) {
	for code, want := range map[uint8]string{
		0: "not defined", 1: "0-10 % used", 2: "10-20 % used", 3: "20-30 % used", 10: "90-100 % used",
		11: "used beyond its estimated life", 12: "reserved code 0x0c", 255: "reserved code 0xff",
	} {
		health := identity.Decode(&identity.Raw{LifeTimeA: &code, LifeTimeB: pointer(1)}).Health
		if health.LifeTimeA != want || health.LifeTimeB != "0-10 % used" || health.PreEOL != "" {
			t.Errorf("code %d: got %+v, want %q", code, health, want)
		}
		expectValues(t, health, map[string]uint64{"DEVICE_LIFE_TIME_EST_TYP_A": uint64(code), "DEVICE_LIFE_TIME_EST_TYP_B": 1})
	}
}

// TestPreEOL follows JESD84-B51, 7.4, as a board's wiki and a device's manual show it.
func TestPreEOL(t *testing.T) {
	for code, want := range map[uint8]string{
		0: "not defined", 1: "normal: less than 80 % of the reserve used", 2: "warning: 80 % of the reserve used",
		3: "urgent: 90 % of the reserve used", 4: "reserved code 0x04",
	} {
		health := identity.Decode(&identity.Raw{PreEOL: &code}).Health
		if health.PreEOL != want || len(health.Fields) != 1 || health.Fields[0].Bits != "byte 267" {
			t.Errorf("code %d: got %+v, want %q", code, health, want)
		}
	}
}

// TestEXTCSDRevision names versions from memory of JESD84-B51, 7.4.
func TestEXTCSDRevision(t *testing.T) {
	for code, want := range map[uint8]string{
		0: "before eMMC 4.41", 4: "before eMMC 4.41", 5: "eMMC 4.41", 6: "eMMC 4.5", 7: "eMMC 5.0", 8: "eMMC 5.1",
		9: "reserved code 0x09",
	} {
		health := identity.Decode(&identity.Raw{EXTCSDRevision: &code}).Health
		if got := meaningOf(t, health.Fields, "EXT_CSD_REV"); got != want {
			t.Errorf("revision %d: got %q, want %q", code, got, want)
		}
	}
	if health := identity.Decode(&identity.Raw{Kind: identity.KindEMMC}).Health; health != nil {
		t.Errorf("nothing is known and is told as %+v", health)
	}
}
