package logbook_test

import (
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"

	"cardwright/internal/logbook"
	"cardwright/partition"
)

// imprinted gives a run the imprint of its card.
func imprinted(run *logbook.Run, identity, content string) *logbook.Run {
	run.Imprint = &partition.Imprint{Identity: digest(identity), Digest: digest(content)}
	return run
}

// expectRun wants a query to have found this run as it was recorded; nil for none.
func expectRun(t *testing.T, what string, got *logbook.Record, err error, want *logbook.Run) {
	t.Helper()
	if want == nil {
		if !errors.Is(err, logbook.ErrNotFound) || got != nil {
			t.Errorf("%s: found %+v, %v", what, got, err)
		}
		return
	}
	if err != nil {
		t.Errorf("%s: %v", what, err)
		return
	}
	if diff := cmp.Diff(&logbook.Record{Run: *want, Image: endedImage("x")}, got); diff != "" {
		t.Errorf("%s (-want +got):\n%s", what, diff)
	}
}

// Only an intact flash tells what is on a card, and the latest of them is the one that counts.
func TestImprintLeadsToTheLatestIntactFlash(t *testing.T) {
	book := open(t, bookPath(t))
	record(t, book, imprinted(flashRun("a", ""), "image", "content"), "x", nil)
	latest := imprinted(flashRun("b", ""), "image", "content")
	record(t, book, latest, "x", nil)
	booted := imprinted(flashRun("c", ""), "image", "other content")
	record(t, book, booted, "x", nil)
	check := imprinted(flashRun("d", ""), "image", "content")
	check.Operation = logbook.OperationCheck
	record(t, book, check, "x", nil)
	damaged := imprinted(flashRun("e", ""), "image", "content")
	begin(t, book, damaged)
	finishDamaged(t, book, damaged)
	begin(t, book, imprinted(flashRun("f", ""), "image", "content")) // never closed
	record(t, book, flashRun("g", ""), "x", nil)                     // without an imprint

	for what, c := range map[string]struct {
		ask   func(value string) (*logbook.Record, error)
		value string
		want  *logbook.Run
	}{
		"by digest":         {untouched(t, book), digest("content"), latest},
		"by another digest": {untouched(t, book), digest("other content"), booted},
		"by an unknown":     {untouched(t, book), digest("unknown"), nil},
		"by an identity":    {untouched(t, book), digest("image"), nil},
		"by none":           {untouched(t, book), "", nil},
		"identity":          {sameImage(t, book), digest("image"), booted},
		"unknown identity":  {sameImage(t, book), digest("unknown"), nil},
		"identity: digest":  {sameImage(t, book), digest("content"), nil},
		"no identity":       {sameImage(t, book), "", nil},
	} {
		got, err := c.ask(c.value)
		expectRun(t, what, got, err, c.want)
	}
}

func untouched(t *testing.T, book *logbook.Book) func(string) (*logbook.Record, error) {
	return func(digest string) (*logbook.Record, error) { return book.Untouched(t.Context(), digest) }
}

func sameImage(t *testing.T, book *logbook.Book) func(string) (*logbook.Record, error) {
	return func(identity string) (*logbook.Record, error) { return book.SameImage(t.Context(), identity) }
}

// A doneCase is a card of a batch, and what is asked of the batch afterwards.
type doneCase struct {
	name         string
	register     string // the card's CID
	imprint      string
	returned     bool
	damaged      bool
	otherBatch   bool
	later        func(run *logbook.Run) // another run on that card begins
	cid, content string                 // what is asked for
	found        bool
}

func TestDoneCardIsKnownAgain(t *testing.T) {
	mine, other := cid("CARDA", 0x10, 1), cid("CARDA", 0x10, 2)
	cases := []doneCase{
		{name: "by its CID", register: mine, imprint: "c", cid: mine, found: true},
		{name: "by its CID in capitals", register: mine, cid: "1B534D" + mine[6:], found: true},
		{name: "by its CID, booted since", register: mine, imprint: "c", cid: mine, content: "booted", found: true},
		{name: "by its imprint, no CID", imprint: "c", content: "c", found: true},
		{name: "by its imprint in another reader that shows its CID", imprint: "c", cid: mine, content: "c", found: true},
		{name: "by its imprint in another reader that hides its CID", register: mine, imprint: "c", content: "c", found: true},
		{name: "another card that holds the same", register: mine, imprint: "c", cid: other, content: "c"},
		{name: "another CID", register: mine, imprint: "c", cid: other, content: "d"},
		{name: "another imprint", imprint: "c", content: "d"},
		{name: "nothing known", imprint: ""},
		{name: "a CID of zeros", imprint: "c", register: zeros, cid: zeros},
		{name: "a CID of zeros, by its imprint", imprint: "c", register: zeros, cid: zeros, content: "c", found: true},
		{name: "no CID at all", register: "unknown", cid: "unknown"},
		{name: "returned", register: mine, imprint: "c", returned: true, cid: mine, content: "c"},
		{name: "damaged", register: mine, imprint: "c", returned: true, damaged: true, cid: mine, content: "c"},
		{name: "of another batch", register: mine, imprint: "c", otherBatch: true, cid: mine, content: "c"},
		{name: "checked since", register: mine, later: func(r *logbook.Run) { r.Operation = logbook.OperationCheck }, cid: mine, found: true},
		{name: "flashed since", register: mine, imprint: "c", later: func(*logbook.Run) {}, cid: mine, content: "c"},
	}
	for _, c := range cases {
		t.Run(c.name, c.check)
	}
}

const zeros = "00000000000000000000000000000000"

func (c doneCase) check(t *testing.T) {
	book := open(t, bookPath(t))
	batch := openBatch(t, book, stack(false))
	give(t, batch, "a", 1)
	run := batchRun(batch, 1, "a", c.register)
	if c.imprint != "" {
		imprinted(run, "image", c.imprint)
	}
	begin(t, book, run)
	if c.damaged {
		finishDamaged(t, book, run)
	} else {
		finishIntact(t, book, run, 1)
	}
	settle(t, batch, 1, run.RunID, !c.returned)
	if c.later != nil {
		later := flashRun("", c.register)
		c.later(later)
		begin(t, book, later)
	}
	if c.otherBatch {
		batch = openBatch(t, book, logbook.BatchOptions{Name: "other", ImageSHA256: digest("x")})
	}
	content := ""
	if c.content != "" {
		content = digest(c.content)
	}
	var want *logbook.Run
	if c.found {
		want = run
	}
	got, err := batch.DoneCard(t.Context(), c.cid, content)
	expectRun(t, "the card", got, err, want)
}
