package job_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/internal/device"
	"cardwright/internal/identity"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
)

// The registers of a real card, as the test file of an open-source SD library gives them with what they mean: Class 4.
const (
	realCID = "015041593038414713daa1bff401252e"
	realSSR = "80000000030000000202900008070000"
)

// registers lays out the kernel's folder of a card.
func registers(t *testing.T, cid, ssr string) string {
	t.Helper()
	folder := t.TempDir()
	for name, content := range map[string]string{"type": "SD", "cid": cid, "ssr": ssr + strings.Repeat("0", 128-len(ssr))} {
		if err := os.WriteFile(filepath.Join(folder, name), []byte(content+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return folder
}

func TestIdentityIsThatOfTheOpenedCard(t *testing.T) {
	folder := registers(t, realCID, realSSR)
	card := job.IdentityOf(device.Description{CID: realCID, RegisterFolder: folder})
	if card == nil || card.CID == nil || card.CID.Raw != realCID || card.Claims().WriteBytesPerSecond() != 4e6 {
		t.Errorf("%+v", card)
	}
	for name, d := range map[string]device.Description{
		"hidden":                {CID: realCID},
		"another card":          {CID: "025041593038414713daa1bff401252e", RegisterFolder: folder},
		"known by nothing":      {RegisterFolder: folder},
		"gone":                  {CID: realCID, RegisterFolder: filepath.Join(folder, "gone")},
		"nothing in its folder": {CID: realCID, RegisterFolder: t.TempDir()},
	} {
		if card := job.IdentityOf(d); card != nil {
			t.Errorf("%s: %+v", name, card)
		}
	}
}

// claiming is a card whose registers claim a video class.
func claiming(videoClass int) *identity.Card {
	return &identity.Card{Kind: identity.KindSD, SSR: &identity.SSR{VideoClass: videoClass}}
}

// The minimum rates are those of the classes (C10 and U1 after the SD specification, Physical Layer 4.10; U3 and V30 from memory):
// 10 MB/s for C10, U1 and V10, 30 MB/s for U3 and V30. The card writes 20 MB/s.
func TestRunIsJudgedByTheHigherOfItsClaims(t *testing.T) {
	cases := []struct {
		name     string
		identity *identity.Card
		rated    identity.Claims
		pace     flash.Pace
		marks    string
		claimed  float64
		source   string
	}{
		{"nothing known", nil, identity.Claims{}, flash.PaceUnjudged, "", 0, ""},
		{"registers without a claim", &identity.Card{}, identity.Claims{}, flash.PaceUnjudged, "", 0, ""},
		{"registers", claiming(30), identity.Claims{}, flash.PaceBelowClaim, "V30", 30e6, logbook.ClaimByRegisters},
		{"registers, held", claiming(10), identity.Claims{}, flash.PaceAsClaimed, "V10", 10e6, logbook.ClaimByRegisters},
		{"printed", nil, identity.Claims{UHSGrade: 3}, flash.PaceBelowClaim, "U3", 30e6, logbook.ClaimPrinted},
		{"printed where the registers claim nothing", &identity.Card{}, identity.Claims{SpeedClass: 10, UHSGrade: 1}, flash.PaceAsClaimed, "C10, U1", 10e6, logbook.ClaimPrinted},
		{"more is printed", claiming(10), identity.Claims{UHSGrade: 3}, flash.PaceBelowClaim, "U3", 30e6, logbook.ClaimPrinted},
		{"less is printed", claiming(30), identity.Claims{SpeedClass: 10}, flash.PaceBelowClaim, "V30", 30e6, logbook.ClaimByRegisters},
		{"the same is printed", claiming(30), identity.Claims{UHSGrade: 3}, flash.PaceBelowClaim, "V30", 30e6, logbook.ClaimByRegisters},
	}
	for _, c := range cases {
		synctest.Test(t, func(t *testing.T) {
			to, _ := target(t, cardlab.Traits{WriteBytesPerSecond: 20e6})
			to.Identity, to.Rated = c.identity, c.rated
			run := job.Flash(t.Context(), held(orchardImage()), []job.Target{to}, job.Options{}).Cards[0]
			got := run.Conditions
			if run.Verdict != logbook.Intact || run.Pace != c.pace || got.Claim != c.marks || got.ClaimBytesPerSecond != c.claimed ||
				got.ClaimSource != c.source || got.BusWasTheLimit {
				t.Errorf("%s: %s, %s, %+v", c.name, run.Pace, run.PaceReason, got)
			}
		})
	}
}

func TestRunOverALimitedBusIsNotBelowItsClaim(t *testing.T) {
	d := device.Description{Bus: device.Bus{Mode: "sd high-speed", ClockHz: 50e6, WidthBits: 4, BytesPerSecond: 25e6}}
	for rate, want := range map[int64]flash.Pace{13e6: flash.PaceUnjudged, 12e6: flash.PaceBelowClaim} {
		synctest.Test(t, func(t *testing.T) {
			to, _ := target(t, cardlab.Traits{WriteBytesPerSecond: rate})
			to.Identity, to.Conditions = claiming(30), job.ConditionsOf(d, logbook.Conditions{})
			run := job.Flash(t.Context(), held(orchardImage()), []job.Target{to}, job.Options{}).Cards[0]
			got := run.Conditions
			told := fmt.Sprint(got.BusMode, " ", got.BusBytesPerSecond/1e6)
			if limited := want == flash.PaceUnjudged; run.Pace != want || got.BusWasTheLimit != limited || told != "sd high-speed 25" ||
				strings.Contains(run.PaceReason, "sd high-speed") != limited {
				t.Errorf("%d B/s: %s, %s, %+v", rate, run.Pace, run.PaceReason, got)
			}
		})
	}
}
