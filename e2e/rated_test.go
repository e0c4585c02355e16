//go:build device

package e2e_test

import (
	"strings"
	"testing"

	"cardwright/internal/cardlab"
)

// TestCardIsHeldAgainstWhatIsPrintedOnIt flashes cards of a known rate. The kernel tells nothing of a loop device's bus, and its
// card has no registers: what the operator types is all that is known. The minimum rates are those of the SD specification: C10
// 10 MB/s, U3 30 MB/s. Other work on the machine can make the emulated card slower, so the one that is to hold 10 MB/s has twice
// as much, and none can be faster than it is.
func TestCardIsHeldAgainstWhatIsPrintedOnIt(t *testing.T) {
	image := randomImage(t, 72*mib)
	for rated, want := range map[string]string{"U3": "below claim", "C10": "as claimed"} {
		t.Run(rated, func(t *testing.T) {
			card := seat(t, cardlab.Traits{SizeBytes: 96 * mib, Seed: 61, WriteBytesPerSecond: 20_000_000})
			args := append(flashTo(image, []*seated{card}), "--raw", "--rated", rated)
			told := onlyCard(t, decode[flashDocument](t, run(t, 0, args...).stdout))
			c := told.Conditions
			if told.Verdict != "intact" || told.Pace != want || !strings.Contains(told.PaceReason, rated) ||
				c.Claim != rated || c.ClaimSource != "printed" || c.BusRate != 0 || c.BusWasTheLimit {
				t.Errorf("%s, %s: %s, %+v", told.Verdict, told.Pace, told.PaceReason, c)
			}
		})
	}
}
