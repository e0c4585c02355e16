//go:build device

package e2e_test

import (
	"fmt"
	"path/filepath"
	"slices"
	"testing"

	"cardwright/internal/cardlab"
	"cardwright/internal/cardlab/registers"
)

// TestIdentifyWhereTheKernelTellsNothing asks what a loop device is: it has no registers, and why that is so is told.
func TestIdentifyWhereTheKernelTellsNothing(t *testing.T) {
	card := seat(t, cardlab.Traits{SizeBytes: 64 * mib, Seed: 77})
	told := decode[identityDocument](t, run(t, 0, "identify", card.path, "--json").stdout)
	if told.Device != card.path || told.Kind != nil || told.Hidden == "" || told.Size != 64*mib || told.Card != nil {
		t.Errorf("%+v", told)
	}
	if told.CID != nil || told.CSD != nil || told.SCR != nil || told.SSR != nil || told.Health != nil ||
		len(told.Claims)+len(told.Unread)+len(told.Findings) != 0 || told.ClaimSource != "" {
		t.Errorf("something is told of what nobody can know: %+v", told)
	}
	card.expectUntouched(t)
}

// TestIdentifyWaitsForNoCard has a card that answers nothing. Neither what it is nor what the card beside it is depends on that.
func TestIdentifyWaitsForNoCard(t *testing.T) {
	silent, beside := seat(t, cardlab.Traits{SizeBytes: 64 * mib, Seed: 78}), seat(t, cardlab.Traits{SizeBytes: 32 * mib, Seed: 79})
	t.Cleanup(silent.Release) // or else a test that fails would wait for ever
	silent.Inject(func(cardlab.Op) cardlab.Fault { return cardlab.FaultHang })
	for _, card := range []*seated{silent, beside} {
		told := decode[identityDocument](t, run(t, 0, "identify", card.path, "--json").stdout)
		if told.Size != card.traits.SizeBytes || told.Hidden == "" {
			t.Errorf("%+v", told)
		}
	}
}

// TestIdentifyTellsWhatContradictsItself reads folders as the kernel makes them, of cards that do not exist. The other side,
// which made the registers, is written from the specifications alone.
func TestIdentifyTellsWhatContradictsItself(t *testing.T) {
	for forgery, code := range map[string]string{
		"": "", "serial-zero": "serial-blank", "month-13": "date-month-impossible", "wrong-cid-checksum": "cid-checksum-wrong",
	} {
		t.Run(forgery, func(t *testing.T) {
			set, folder := forged(t, forgery), filepath.Join(t.TempDir(), "device")
			if err := set.WriteFolder(folder); err != nil {
				t.Fatal(err)
			}
			told := decode[identityDocument](t, run(t, 0, "identify", "--registers", folder, "--json").stdout)
			if told.Kind == nil || *told.Kind != "sd" || told.Hidden != "" || len(told.Unread) != 0 || told.ClaimSource != "registers" ||
				told.CID == nil || told.CID.Raw != fmt.Sprintf("%x", set.CID) || told.CID.Name != "TESTB" ||
				told.CSD == nil || told.CSD.Capacity != set.SizeBytes || told.SCR == nil || told.SSR == nil || told.SSR.SpeedClass != 10 {
				t.Errorf("%+v", told)
			}
			var codes, wanted []string
			for _, finding := range told.Findings {
				codes = append(codes, finding.Code)
				if finding.Severity == "fault" || finding.Sentence == "" || finding.Evidence == "" {
					t.Errorf("a contradiction is told as %+v", finding)
				}
			}
			if code != "" {
				wanted = []string{code}
			}
			if !slices.Equal(codes, wanted) {
				t.Errorf("the findings are %v, want %v", codes, wanted)
			}
		})
	}
}

// forged gives the registers of a sound card with one lie, or none.
func forged(t *testing.T, forgery string) registers.Set {
	t.Helper()
	set, err := registers.Sample("sdhc")
	if err == nil && forgery != "" {
		set, err = registers.Forge(set, forgery)
	}
	if err != nil {
		t.Fatal(err)
	}
	return set
}
