package main

import (
	"bytes"
	"strings"
	"testing"

	"cardwright/internal/identity"
)

// Before a batch begins the operator sees what its cards are held against.
func TestBatchTellsWhatIsPrintedOnItsCards(t *testing.T) {
	for rated, want := range map[identity.Claims]bool{{SpeedClass: 10, UHSGrade: 1}: true, {}: false} {
		var text bytes.Buffer
		b := &batching{ratedFlag: ratedFlag{rated: rated}}
		b.caution(&text, nil)
		if got := strings.Contains(text.String(), "On every card is printed: C10 U1.\n"); got != want {
			t.Errorf("%+v: %s", rated, &text)
		}
	}
}
