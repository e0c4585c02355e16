package report_test

import (
	"strings"
	"testing"

	"cardwright/internal/logbook"
	"cardwright/internal/report"
	"cardwright/verify"
)

// What an operator is told to do must not rest on more than the run knows.
func TestNextPromisesNoMoreThanIsKnown(t *testing.T) {
	cached := &verify.Proof{Bytes: 1, Seconds: 1}
	damaged := &verify.Proof{Bytes: 1, FromMedium: true, Damage: []verify.Damage{{LengthBytes: 1, Kind: verify.KindChanged}}}
	for name, c := range map[string]struct {
		run       logbook.Run
		says, not string
	}{
		"a check that may have read a cache": {
			logbook.Run{Operation: logbook.OperationCheck, Verdict: logbook.Intact, Proof: cached}, "may have seen a cache", "it is ready",
		},
		"a damaged card that may not have taken the zeroing": {
			logbook.Run{Operation: logbook.OperationFlash, Verdict: logbook.Damaged, Proof: damaged}, "where the card still took that", "no boot sector was left",
		},
	} {
		var page strings.Builder
		if err := report.Text(&page, report.Document{Cards: []logbook.Run{c.run}}); err != nil {
			t.Fatal(err)
		}
		text := strings.Join(strings.Fields(page.String()), " ")
		if !strings.Contains(text, c.says) || strings.Contains(text, c.not) {
			t.Errorf("%s: %s", name, text)
		}
	}
}
