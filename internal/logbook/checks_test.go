package logbook_test

import (
	"errors"
	"fmt"
	"testing"

	"cardwright/internal/logbook"

	"github.com/google/go-cmp/cmp"
)

// beginCheck opens a check of a card with this label.
func beginCheck(t *testing.T, book *logbook.Book, label string) *logbook.CapacityRecord {
	t.Helper()
	check := capacityCheck(label, 1<<30)
	if err := book.BeginCapacity(t.Context(), check, nil); err != nil {
		t.Fatal(err)
	}
	return check
}

// finishCheck closes a check; a size below 0 stands for one that was not found.
func finishCheck(t *testing.T, book *logbook.Book, check *logbook.CapacityRecord, verdict string, trueBytes int64) error {
	t.Helper()
	check.Verdict, check.TrueBytes = verdict, nil
	if trueBytes >= 0 {
		check.TrueBytes = &trueBytes
	}
	check.Document = fmt.Appendf(nil, `{"verdict":%q}`, verdict)
	return book.FinishCapacity(t.Context(), check)
}

func TestCapacityCheckIsOpenUntilItIsFinished(t *testing.T) {
	book := open(t, bookPath(t))
	check := capacityCheck("a", 1<<30)
	size := int64(5)
	check.Verdict, check.TrueBytes, check.Closed = "short", &size, true // nothing has shown it yet
	if err := book.BeginCapacity(t.Context(), check, nil); err != nil {
		t.Fatal(err)
	}
	want := *capacityCheck("a", 1<<30)
	want.CheckID, want.CardID = 1, 1
	got, err := book.CapacityChecks(t.Context(), check.CardID)
	if diff := cmp.Diff([]logbook.CapacityRecord{want}, got); diff != "" || err != nil {
		t.Errorf("begun: %v (-want +got):\n%s", err, diff)
	}
	if diff := cmp.Diff(&want, check); diff != "" {
		t.Errorf("begun, in hand (-want +got):\n%s", diff)
	}
	if card, err := book.CardByLabel(t.Context(), "a"); err != nil || card.LastCapacity != nil || card.SizeBytes != 1<<30 {
		t.Errorf("the card: %+v, %v", card, err)
	}
	if err := finishCheck(t, book, check, "short", 1<<29); err != nil {
		t.Fatal(err)
	}
	got, err = book.CapacityChecks(t.Context(), check.CardID)
	if diff := cmp.Diff([]logbook.CapacityRecord{*check}, got); diff != "" || err != nil || !check.Closed {
		t.Errorf("closed %v: %v (-want +got):\n%s", check.Closed, err, diff)
	}
	broken := beginCheck(t, book, "a")
	if err := finishCheck(t, book, broken, "", -1); err != nil { // it came to nothing
		t.Fatal(err)
	}
	half := int64(1 << 29)
	last := &logbook.CapacitySummary{
		CheckID: 1, StartedAt: check.StartedAt, Mode: "quick", Verdict: "short", ClaimedBytes: 1 << 30, TrueBytes: &half,
	}
	card, err := book.CardByLabel(t.Context(), "a")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(last, card.LastCapacity); diff != "" {
		t.Errorf("the latest verdict (-want +got):\n%s", diff)
	}
}

func TestCapacityVerdictMustFollowFromTheSizes(t *testing.T) {
	book := open(t, bookPath(t))
	for _, c := range []struct {
		verdict   string
		trueBytes int64
		follows   bool
	}{
		{"true", 1 << 30, true},
		{"true", 1<<30 - 512, false},
		{"true", 1<<30 + 512, false},
		{"true", -1, false},
		{"short", 1<<30 - 512, true},
		{"short", 0, true},
		{"short", 1 << 30, false},
		{"short", 1<<30 + 512, false},
		{"short", -1, false},
		{"unreliable", -1, true},
		{"unreliable", 1 << 29, true},
		{"", -1, true},
		{"TRUE", 1 << 30, false},
		{"fine", 1 << 30, false},
	} {
		check := beginCheck(t, book, "a")
		err := finishCheck(t, book, check, c.verdict, c.trueBytes)
		if c.follows != (err == nil) || !c.follows && !errors.Is(err, logbook.ErrUnproven) {
			t.Errorf("%q of %d bytes: %v", c.verdict, c.trueBytes, err)
		}
		if stored, err := book.CapacityChecks(t.Context(), check.CardID); err != nil || stored[0].Closed != c.follows {
			t.Errorf("%q of %d bytes is stored as %+v, %v", c.verdict, c.trueBytes, stored[0], err)
		}
	}
}

func TestFinishCapacityRefusesWhatItCannotRecord(t *testing.T) {
	book := open(t, bookPath(t))
	check := beginCheck(t, book, "a")
	raised := *check
	raised.ClaimedBytes = 1 << 40 // what counts is what it claimed when it began
	if err := finishCheck(t, book, &raised, "true", 1<<40); !errors.Is(err, logbook.ErrUnproven) {
		t.Errorf("another claim: %v", err)
	}
	negative := *check
	below := int64(-512)
	negative.Verdict, negative.TrueBytes = logbook.CapacityShort, &below
	if err := book.FinishCapacity(t.Context(), &negative); !errors.Is(err, logbook.ErrUnproven) {
		t.Errorf("a size below nothing: %v", err)
	}
	broken := *check
	broken.Document = []byte(`{"verdict":`)
	if err := book.FinishCapacity(t.Context(), &broken); err == nil || broken.Closed {
		t.Error("half a document was taken")
	}
	if err := finishCheck(t, book, check, "true", 1<<30); err != nil {
		t.Fatal(err)
	}
	again := *check
	if err := finishCheck(t, book, &again, "unreliable", -1); !errors.Is(err, logbook.ErrAlreadyClosed) {
		t.Errorf("twice: %v", err)
	}
	if err := finishCheck(t, book, &logbook.CapacityRecord{CheckID: 99}, "", -1); !errors.Is(err, logbook.ErrNoCheck) {
		t.Errorf("unknown: %v", err)
	}
	if _, err := book.CapacityChecks(t.Context(), 99); !errors.Is(err, logbook.ErrNoCard) {
		t.Errorf("of an unknown card: %v", err)
	}
	got, err := book.CapacityChecks(t.Context(), check.CardID)
	if diff := cmp.Diff([]logbook.CapacityRecord{*check}, got); diff != "" || err != nil {
		t.Errorf("%v (-want +got):\n%s", err, diff)
	}
	odd := capacityCheck("b", 1<<30)
	odd.Mode = "slow"
	if err := book.BeginCapacity(t.Context(), odd, nil); err == nil || odd.CheckID != 0 {
		t.Errorf("an unknown mode was taken as check %d", odd.CheckID)
	}
	if _, err := book.CardByLabel(t.Context(), "b"); !errors.Is(err, logbook.ErrNoCard) {
		t.Errorf("what could not be opened left a card: %v", err)
	}
}

// A check without a document has an empty one, so that whoever reads it need not ask.
func TestCapacityCheckWithoutADocumentHasAnEmptyOne(t *testing.T) {
	book := open(t, bookPath(t))
	check := capacityCheck("a", 1<<30)
	check.Document = nil
	if err := book.BeginCapacity(t.Context(), check, nil); err != nil {
		t.Fatal(err)
	}
	if got, err := book.CapacityChecks(t.Context(), check.CardID); err != nil || len(got) != 1 || string(got[0].Document) != "{}" {
		t.Errorf("%+v, %v", got, err)
	}
}
