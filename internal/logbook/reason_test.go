package logbook_test

import (
	"testing"

	"cardwright/flash"
	"cardwright/internal/logbook"
	"cardwright/verify"
)

// Whatever kept a card from being intact is said, and of an intact one nothing.
func TestReasonIsSaidUnlessIntact(t *testing.T) {
	failure := &logbook.Failure{Step: flash.StepBody, OffsetBytes: 8 << 20, Cause: "the card is gone"}
	trueSize := int64(1 << 28)
	damage := []verify.Damage{{OffsetBytes: 4 << 20}, {OffsetBytes: 20 << 20}}
	for want, run := range map[string]logbook.Run{
		"": {Verdict: logbook.Intact, Error: failure},
		"it reads back as if it held 268435456 bytes": {
			Verdict: logbook.Damaged, Proof: &verify.Proof{Damage: damage, TrueSizeBytes: &trueSize},
		},
		"2 places differ, from byte 4194304 on":   {Verdict: logbook.Damaged, Proof: &verify.Proof{Damage: damage}, Error: failure},
		"one place differs, from byte 4194304 on": {Verdict: logbook.Damaged, Proof: &verify.Proof{Damage: damage[:1]}},
		"body at byte 8388608: the card is gone":  {Verdict: logbook.Unfinished, Proof: &verify.Proof{}, Error: failure},
		"its record was never closed":             {Verdict: logbook.Unfinished},
	} {
		if got := run.Reason(); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
