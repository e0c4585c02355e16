package logbook_test

import (
	"errors"
	"testing"

	"cardwright/internal/logbook"
	"cardwright/verify"

	"github.com/google/go-cmp/cmp"
)

func TestShowGivesTheRunAsItWasFinished(t *testing.T) {
	book := open(t, bookPath(t))
	run := flashRun("node-07", "")
	record(t, book, run, "board.img.xz", trace(1))

	got, err := book.Show(t.Context(), run.RunID)
	if err != nil {
		t.Fatal(err)
	}
	want := &logbook.Record{Run: *run, Image: endedImage("board.img.xz")}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("the stored run differs (-want +got):\n%s", diff)
	}
	samples, err := book.Trace(t.Context(), run.RunID)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(trace(1), samples); diff != "" {
		t.Errorf("the stored trace differs (-want +got):\n%s", diff)
	}
}

func TestRunNeverClosedReadsAsUnfinished(t *testing.T) {
	book := open(t, bookPath(t))
	run := ended(flashRun("node-07", "")) // opened with a verdict that nothing has shown yet
	if err := book.Begin(t.Context(), run, begunImage("a")); err != nil {
		t.Fatal(err)
	}
	shown, err := book.Show(t.Context(), run.RunID)
	if err != nil {
		t.Fatal(err)
	}
	listed, err := book.List(t.Context(), logbook.Filter{})
	if err != nil {
		t.Fatal(err)
	}
	if shown.Verdict != logbook.Unfinished || len(listed) != 1 || listed[0].Verdict != logbook.Unfinished {
		t.Errorf("shown as %q, listed as %+v", shown.Verdict, listed)
	}
}

func TestFinishRefusesWhatItCannotRecord(t *testing.T) {
	book := open(t, bookPath(t))
	open1, open2 := flashRun("a", ""), flashRun("b", "")
	for _, run := range []*logbook.Run{open1, open2} {
		if err := book.Begin(t.Context(), run, begunImage("a")); err != nil {
			t.Fatal(err)
		}
	}
	if err := book.Finish(t.Context(), ended(open1), endedImage("a"), trace(1)); err != nil {
		t.Fatal(err)
	}
	unknown := ended(flashRun("c", ""))
	unknown.RunID = 99
	unproven := *open2
	unproven.Verdict = logbook.Intact
	harmed := *ended(open2)
	harmed.Proof = &verify.Proof{Damage: []verify.Damage{{Kind: verify.KindZeros}}}
	unharmed := *ended(open2)
	unharmed.Verdict = logbook.Damaged
	cases := map[string]struct {
		run  *logbook.Run
		want error
	}{
		"a run that was never begun":    {unknown, logbook.ErrNotFound},
		"a run that is closed already":  {open1, logbook.ErrAlreadyClosed},
		"intact without a proof":        {&unproven, logbook.ErrUnproven},
		"intact with damage":            {&harmed, logbook.ErrUnproven},
		"damaged without a damaged bit": {&unharmed, logbook.ErrUnproven},
	}
	for name, c := range cases {
		if err := book.Finish(t.Context(), c.run, endedImage("other"), trace(2)); !errors.Is(err, c.want) {
			t.Errorf("%s: got %v, want %v", name, err, c.want)
		}
	}
	if samples, err := book.Trace(t.Context(), open1.RunID); err != nil || !cmp.Equal(samples, trace(1)) {
		t.Errorf("the closed run's trace became %v, %v", samples, err)
	}
	if got, err := book.Show(t.Context(), open2.RunID); err != nil || got.Verdict != logbook.Unfinished {
		t.Errorf("the open run reads as %+v, %v", got, err)
	}
}

func TestShowOfAnUnknownRunIsNotFound(t *testing.T) {
	book := open(t, bookPath(t))
	if _, err := book.Show(t.Context(), 1); !errors.Is(err, logbook.ErrNotFound) {
		t.Errorf("got %v", err)
	}
}

func TestCardIsKnownAgain(t *testing.T) {
	one, two := cid("CARDA", 0x10, 1), cid("CARDA", 0x10, 2)
	type visit struct{ label, cid string }
	cases := []struct {
		name          string
		first, second visit
		same          bool
	}{
		{"by its CID", visit{"", one}, visit{"", one}, true},
		{"by its CID in capitals", visit{"", "1B534D4341524441100000000A0125FF"}, visit{"", "1b534d4341524441100000000a0125ff"}, true},
		{"by its CID under another label", visit{"a", one}, visit{"b", one}, true},
		{"by its label where no CID was read", visit{"a", ""}, visit{"a", ""}, true},
		{"by its label once its CID is read", visit{"a", ""}, visit{"a", one}, true},
		{"by its label where a reader hides the CID", visit{"a", one}, visit{"a", ""}, true},
		{"another CID under the same label", visit{"a", one}, visit{"a", two}, false},
		{"another CID", visit{"", one}, visit{"", two}, false},
		{"another label", visit{"a", ""}, visit{"b", ""}, false},
		{"neither CID nor label", visit{"", ""}, visit{"", ""}, false},
		{"a register that could not be read", visit{"", "00000000000000000000000000000000"}, visit{"", "00000000000000000000000000000000"}, false},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			book := open(t, bookPath(t))
			first, second := flashRun(c.first.label, c.first.cid), flashRun(c.second.label, c.second.cid)
			record(t, book, first, "a", trace(1))
			record(t, book, second, "a", trace(2))
			if (first.CardID == second.CardID) != c.same || first.CardID == 0 || second.CardID == 0 {
				t.Errorf("cards %d and %d", first.CardID, second.CardID)
			}
		})
	}
}

func TestListTakesTheLatestRunsOfOneLabel(t *testing.T) {
	book := open(t, bookPath(t))
	for i := range 60 {
		record(t, book, flashRun([]string{"a", "b"}[i%2], ""), "x", nil)
	}
	cases := []struct {
		filter       logbook.Filter
		first, count int
	}{
		{logbook.Filter{}, 60, 50},
		{logbook.Filter{Limit: 3}, 60, 3},
		{logbook.Filter{Label: "a"}, 59, 30},
		{logbook.Filter{Label: "a", Limit: 2}, 59, 2},
	}
	for _, c := range cases {
		records, err := book.List(t.Context(), c.filter)
		if err != nil {
			t.Fatal(err)
		}
		if len(records) != c.count || records[0].RunID != int64(c.first) {
			t.Errorf("%+v: %d runs, the first is %d", c.filter, len(records), records[0].RunID)
		}
	}
	none, err := book.List(t.Context(), logbook.Filter{Label: "c"})
	if err != nil || none == nil || len(none) != 0 {
		t.Errorf("an unknown label gives %v, %v", none, err)
	}
}

func TestClosedBookRefusesAndClosesTwice(t *testing.T) {
	book, err := logbook.Open(t.Context(), bookPath(t))
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := book.Close(); err != nil {
			t.Error(err)
		}
	}
	if err := book.Begin(t.Context(), flashRun("a", ""), begunImage("a")); err == nil {
		t.Error("a closed logbook took a run")
	}
}
