package report_test

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"testing"
	"unicode/utf8"

	"cardwright/internal/capacity"
	"cardwright/internal/identity"
	"cardwright/internal/logbook"
	"cardwright/internal/report"
	"cardwright/partition"
)

// hostile is a text that would steer a terminal, or go over its edge.
const hostile = "\x1b[31m\x07\u202e a word that is wider than anything: " +
	"0123456789012345678901234567890123456789012345678901234567890123456789012345678901234567890123456789"

// pagesFrom prints every page of cards with what a card or a record says put in wherever it says something.
func pagesFrom(said string) (pages []func(io.Writer) error) {
	odd := decoded(map[string]string{"type": "SD", "cid": strings.Repeat("1b9b07fe", 4), "csd": strings.Repeat("ff", 16), "scr": strings.Repeat("ff", 8), "ssr": strings.Repeat("ff", 64)})
	odd.CID.Fields = append(odd.CID.Fields, identity.Field{Name: said, Bits: said, Raw: said, Meaning: said})
	finding := partition.Finding{Code: said, Severity: partition.Warning, Sentence: said, Evidence: said}
	card := record()
	card.Label, card.Labels, card.Maker, card.CID = said, []string{said}, said, strings.Repeat("1b9b07fe", 4)
	for name := range card.Facts {
		card.Facts[name] = said
	}
	d := report.Identity{
		Device: said, Card: odd, Unread: []identity.Unread{{File: said, Why: said}}, BusMode: said, Maker: said, Known: &card,
		Findings: []partition.Finding{finding},
	}
	page := cardPage()
	page.Card, page.History[0].Name, page.History[0].Value, page.Runs[0].Image.Name = card, said, said, said
	pages = append(
		pages,
		func(w io.Writer) error { return report.WriteIdentity(w, &d, true) },
		func(w io.Writer) error {
			return report.WriteIdentity(w, &report.Identity{Device: said, Hidden: said}, true)
		},
		func(w io.Writer) error { return report.Cards(w, []logbook.CardRecord{card}) },
		func(w io.Writer) error { return report.WriteCardPage(w, page) },
		func(w io.Writer) error { return report.Makers(w, []logbook.Maker{{Name: said}}) },
	)
	for _, check := range []report.CapacityDocument{{}, sound(), short(), rotten(), stopped()} {
		for _, verdict := range []capacity.Verdict{"", capacity.True, capacity.Short, capacity.Unreliable} {
			for _, failure := range []*logbook.Failure{nil, {Cause: said, Class: logbook.ClassCard}, {Class: logbook.ClassRefused}} {
				check.Device, check.Label, check.Verdict, check.Error = said, said, verdict, failure
				check.Findings = []partition.Finding{finding}
				pages = append(pages, func(w io.Writer) error { return report.CapacityText(w, check) })
			}
		}
	}
	return pages
}

func TestPagesOfCardsFitAndCannotSteerTheTerminal(t *testing.T) {
	for _, said := range []string{"", hostile} {
		for i, print := range pagesFrom(said) {
			var w bytes.Buffer
			if err := print(&w); err != nil {
				t.Fatal(err)
			}
			for line := range strings.Lines(w.String()) {
				line = strings.TrimSuffix(line, "\n")
				if utf8.RuneCountInString(line) > 80 || strings.TrimRight(line, " ") != line {
					t.Errorf("page %d: %q is wider than a screen, or ends in a space", i, line)
				}
				for _, r := range line {
					if r < ' ' || r >= 0x7f && r < 0xa0 || r == '\u202e' {
						t.Fatalf("page %d: %q was printed in %q", i, r, line)
					}
				}
			}
			// No page calls a card what nobody can know, or shows what a format lacks.
			for _, word := range []string{"counterfeit", "fake", "fraud", "%!", "NaN", "Inf", "<nil>"} {
				if strings.Contains(w.String(), word) {
					t.Errorf("page %d says %q:\n%s", i, word, &w)
				}
			}
		}
	}
}

func TestPageOfRegistersSaysThatTheyProveNothing(t *testing.T) {
	var w bytes.Buffer
	if err := report.WriteIdentity(&w, identified(), false); err != nil {
		t.Fatal(err)
	}
	text := strings.Join(strings.Fields(w.String()), " ")
	for _, want := range []string{"can be forged", "none of this proves anything", "say nothing of small random writes", "is no promise"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page does not say %q:\n%s", want, &w)
		}
	}
}

// The chance that n independent places all miss a part f of a card is (1-f)^n.
func TestChancesToMissAreThoseOfIndependentPlaces(t *testing.T) {
	for places, want := range map[int]string{
		2:   "a half of the card 25 %, of 1/10 81 %, of 1/100 98 %",
		10:  "a half of the card 1 in 1024, of 1/10 35 %, of 1/100 90 %",
		50:  "a half of the card less than 1 in a million, of 1/10 1 in 194, of 1/100 61 %", // 0.9^50 is 0.005154
		500: "a half of the card less than 1 in a million, of 1/10 less than 1 in a million, of 1/100 1 in 152",
	} {
		d := sound()
		d.RandomPlaces = places
		var w bytes.Buffer
		if err := report.CapacityText(&w, d); err != nil {
			t.Fatal(err)
		}
		if text := strings.Join(strings.Fields(w.String()), " "); !strings.Contains(text, want) {
			t.Errorf("%d places: want %q in\n%s", places, want, &w)
		}
	}
}

// A card that may be as large as it says, but is full of stamps, is not to be used.
func TestWhatIsNotBackIsNotUsed(t *testing.T) {
	d := sound()
	d.Restored, d.Rescue = at(false), "capacity/rescue-1"
	var w bytes.Buffer
	if err := report.CapacityText(&w, d); err != nil {
		t.Fatal(err)
	}
	text := strings.Join(strings.Fields(w.String()), " ")
	for _, want := range []string{"is NOT back on the card; it is kept in capacity/rescue-1", "Next: Do not use the card yet. Check it again"} {
		if !strings.Contains(text, want) {
			t.Errorf("want %q in\n%s", want, &w)
		}
	}
}

func TestJSONOfCardsHasNoNullLists(t *testing.T) {
	stamp := report.Stamp{}
	for i, c := range []struct {
		print func(io.Writer) error
		lists []string
	}{
		{func(w io.Writer) error { return report.IdentityJSON(w, stamp, &report.Identity{}) }, []string{"claims", "findings", "unread", "product_cards"}},
		{func(w io.Writer) error { return report.CapacityJSON(w, report.CapacityDocument{}) }, []string{"bad_ranges", "findings", "write_trace", "read_trace"}},
		{func(w io.Writer) error { return report.CardsJSON(w, stamp, nil) }, []string{"cards"}},
		{func(w io.Writer) error { return report.CardPageJSON(w, stamp, &report.CardPage{}) }, []string{"history", "runs", "checks", "labels"}},
		{func(w io.Writer) error { return report.MakersJSON(w, stamp, nil) }, []string{"makers"}},
	} {
		var w bytes.Buffer
		if err := c.print(&w); err != nil {
			t.Fatal(err)
		}
		for _, name := range c.lists {
			if !strings.Contains(w.String(), fmt.Sprintf("%q: []", name)) {
				t.Errorf("document %d: %s is null, or missing:\n%s", i, name, &w)
			}
		}
	}
}

// TestNamesAreWholeWhereOnlyTheCIDIsKnown: an eMMC's CID has a name of six letters, an SD card's of five (JESD84-B51, 7.2; Physical
// Layer Specification 4.10, table 5-2).
func TestNamesAreWholeWhereOnlyTheCIDIsKnown(t *testing.T) {
	for cid, want := range map[string]string{
		"7f0100544553544d4d10112233444200": "0x7f TESTMM ",
		"7f5a5a54455354316212345678001491": "0x7f TEST1 ",
		"7f5a5a54455354":                   "-",
	} {
		var text bytes.Buffer
		if err := report.Cards(&text, []logbook.CardRecord{{CardID: 1, CID: cid}}); err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(text.String(), " "+want) {
			t.Errorf("%s: %q is not in\n%s", cid, want, &text)
		}
	}
}
