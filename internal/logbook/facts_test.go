package logbook_test

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"cardwright/internal/logbook"

	"github.com/google/go-cmp/cmp"
)

// noon is a time at which the same day is written east and west of it.
var noon = time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC)

// met gives a card with this label.
func met(t *testing.T, book *logbook.Book, label string) *logbook.CardRecord {
	t.Helper()
	card, err := book.MeetCard(t.Context(), label, 1<<30, nil)
	if err != nil {
		t.Fatal(err)
	}
	return card
}

// Codes of currencies have three capital letters (ISO 4217:2015, 3.1); the number of their decimals is 0 to 4 (from memory). Dates
// are calendar dates in extended format (ISO 8601-1:2019, 5.2.2).
func TestFactsMustFitTheirNames(t *testing.T) {
	book := open(t, bookPath(t))
	card := met(t, book, "a")
	long, longNote := strings.Repeat("ä", 100), strings.Repeat("ö", 1000)
	for name, values := range map[string]struct{ fit, odd []string }{
		"price": {
			[]string{"7.90", "0", "0.5", "12", "1.2345", "999999999.9999"},
			[]string{
				"7,90", "-1", "+1", "1e3", ".5", "5.", "007", "00", "1.23456", "1000000000", "7.90 EUR", "0x10", "NaN", "1_0", "٧", "7.90\n",
			},
		},
		"currency": {[]string{"EUR", "JPY"}, []string{"eur", "EU", "EURO", "€", "E1R", "ÄÖÜ", "EUR\n"}},
		"bought": {
			[]string{"2026-03-04", "2024-02-29", "2009-01-31"},
			[]string{
				"2026-03-05", "2025-02-29", "2026-13-01", "2026-00-01", "2026-02-30", "04.03.2026", "2026-3-4", "26-03-04",
				"2026-03-04T12:00:00Z", "yesterday", "9999-12-31", "12026-03-04",
			},
		},
		"series": {[]string{"Plain 32", long}, []string{long + "x"}},
		"seller": {[]string{"Läden & Söhne 東", long}, []string{long + "x"}},
		"rated":  {[]string{"C10 U1", long}, []string{long + "x"}},
		"note":   {[]string{longNote}, []string{longNote + "x"}},
	} {
		odd := append(values.odd, " x", "x ", " ", "a\nb", "a\tb", "\x1b[2J", "a\x00", "\xff", "a\u202eb", "a\u00a0b")
		for _, value := range values.fit {
			if err := book.SetFacts(t.Context(), card.CardID, map[string]string{name: value}, noon); err != nil {
				t.Errorf("%s %q: %v", name, value, err)
			}
		}
		for _, value := range odd {
			if err := book.SetFacts(t.Context(), card.CardID, map[string]string{name: value}, noon); !errors.Is(err, logbook.ErrFact) {
				t.Errorf("%s %q: %v", name, value, err)
			}
		}
		got, err := book.CardByLabel(t.Context(), card.Label)
		if want := values.fit[len(values.fit)-1]; err != nil || got.Facts[name] != want {
			t.Errorf("%s is %q, %v, want %q", name, got.Facts[name], err, want)
		}
	}
	for _, name := range []string{"", "Price", "colour", "price "} {
		for _, value := range []string{"", "7.90"} {
			if err := book.SetFacts(t.Context(), card.CardID, map[string]string{name: value}, noon); !errors.Is(err, logbook.ErrFact) {
				t.Errorf("%q %q: %v", name, value, err)
			}
		}
	}
}

// The day is that of whoever notes it, which may have begun before that of Greenwich.
func TestBoughtTodayIsNotInTheFuture(t *testing.T) {
	book := open(t, bookPath(t))
	card := met(t, book, "a")
	today := map[string]string{"bought": "2026-03-05"}
	late := time.Date(2026, 3, 4, 23, 0, 0, 0, time.UTC)
	if err := book.SetFacts(t.Context(), card.CardID, today, late); !errors.Is(err, logbook.ErrFact) {
		t.Errorf("in Greenwich: %v", err)
	}
	if err := book.SetFacts(t.Context(), card.CardID, today, late.In(time.FixedZone("east", 3600))); err != nil {
		t.Errorf("an hour east of it: %v", err)
	}
}

func TestFactsAreCorrectedAndTakenBackWithTheirHistory(t *testing.T) {
	path := bookPath(t)
	book := open(t, path)
	a, b := met(t, book, "a"), met(t, book, "b")
	for i, facts := range []map[string]string{
		{"price": "7.90", "currency": "EUR", "seller": "Corner shop"},
		{"price": "8.90", "currency": "EUR"}, // the currency is noted already
		{"seller": "", "note": ""},           // there was no note
		{"price": "7.90"},
		{"price": "1", "bought": "2027-01-01"}, // none of it, as one does not fit
	} {
		err := book.SetFacts(t.Context(), a.CardID, facts, noon.Add(time.Duration(i)*time.Hour))
		if (err != nil) != (i == 4) {
			t.Errorf("step %d: %v", i, err)
		}
	}
	if err := book.SetFacts(t.Context(), b.CardID, map[string]string{"price": "5"}, noon); err != nil {
		t.Fatal(err)
	}
	want := []logbook.CardFact{
		{Name: "seller", Value: "Corner shop", NotedAt: noon},
		{Name: "price", Value: "7.90", NotedAt: noon},
		{Name: "currency", Value: "EUR", NotedAt: noon},
		{Name: "price", Value: "8.90", NotedAt: noon.Add(time.Hour)},
		{Name: "seller", Value: "", NotedAt: noon.Add(2 * time.Hour)},
		{Name: "price", Value: "7.90", NotedAt: noon.Add(3 * time.Hour)},
	}
	history, err := book.FactHistory(t.Context(), a.CardID)
	if diff := cmp.Diff(want, history); diff != "" || err != nil {
		t.Errorf("history: %v (-want +got):\n%s", err, diff)
	}
	got, err := book.CardByLabel(t.Context(), "a")
	if diff := cmp.Diff(map[string]string{"price": "7.90", "currency": "EUR"}, got.Facts); diff != "" || err != nil {
		t.Errorf("facts: %v (-want +got):\n%s", err, diff)
	}
	for _, statement := range []string{
		"UPDATE facts SET value = 'x'", "DELETE FROM facts", "UPDATE makers SET name = 'x'", "DELETE FROM makers",
	} {
		if err := book.NameMaker(t.Context(), logbook.KindSD, 1, "Maker A"); err != nil {
			t.Fatal(err)
		}
		if _, err := openPlain(t, path).ExecContext(t.Context(), statement); err == nil {
			t.Errorf("%s: history was changed", statement)
		}
	}
}

func TestFactsNeedACard(t *testing.T) {
	book := open(t, bookPath(t))
	if err := book.SetFacts(t.Context(), 1, map[string]string{"price": "1"}, noon); !errors.Is(err, logbook.ErrNoCard) {
		t.Errorf("set: %v", err)
	}
	if _, err := book.FactHistory(t.Context(), 1); !errors.Is(err, logbook.ErrNoCard) {
		t.Errorf("history: %v", err)
	}
	if history, err := book.FactHistory(t.Context(), met(t, book, "a").CardID); err != nil || history == nil || len(history) > 0 {
		t.Errorf("of a new card: %v, %v", history, err)
	}
}

func TestEveryNameOfAFactCanBeSet(t *testing.T) {
	book := open(t, bookPath(t))
	card := met(t, book, "a")
	values := map[string]string{
		logbook.FactPrice: "1", logbook.FactCurrency: "EUR", logbook.FactSeries: "Plain", logbook.FactSeller: "Stall",
		logbook.FactBought: "2026-01-01", logbook.FactRated: "C10", logbook.FactNote: "bent",
	}
	if err := book.SetFacts(t.Context(), card.CardID, values, noon); err != nil {
		t.Fatal(err)
	}
	history, err := book.FactHistory(t.Context(), card.CardID)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, fact := range history {
		names = append(names, fact.Name)
	}
	if !slices.Equal(names, logbook.FactNames()) || len(names) != len(values) {
		t.Errorf("noted %q, the names are %q", names, logbook.FactNames())
	}
}

// SD cards and eMMC modules have registries of their own: 15 is one maker in this and another in that.
func TestMakersAreNamedForEachKind(t *testing.T) {
	book := open(t, bookPath(t))
	sd, err := book.MeetCard(t.Context(), "", 0, &logbook.Registers{Kind: logbook.KindSD, CID: cid("CARDA", 0x10, 1)})
	if err != nil {
		t.Fatal(err)
	}
	emmc := flashRun("", "1b0100"+"424a54443452"+"37"+"00000002"+"4200") // its registers were never seen
	record(t, book, emmc, "x", nil)
	for _, naming := range []struct {
		kind string
		id   int
		name string
	}{
		{"sd", 0x1b, "Maker X"},
		{"sd", 0x1b, "Maker A"},
		{"emmc", 0x1b, "Maker B"},
		{"sd", 255, "Maker C"},
		{"sd", 0, "Maker D"},
		{"sd", 255, ""},
	} {
		if err := book.NameMaker(t.Context(), naming.kind, naming.id, naming.name); err != nil {
			t.Errorf("%+v: %v", naming, err)
		}
	}
	for _, naming := range []struct {
		kind string
		id   int
		name string
	}{
		{"SD", 1, "A"}, {"", 1, "A"}, {"sd", -1, "A"}, {"sd", 256, "A"}, {"sd", 1, "A\n"}, {"sd", 1, strings.Repeat("A", 101)},
	} {
		if err := book.NameMaker(t.Context(), naming.kind, naming.id, naming.name); !errors.Is(err, logbook.ErrMaker) {
			t.Errorf("%+v: %v", naming, err)
		}
	}
	makers, err := book.Makers(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for i := range makers {
		if age := time.Since(makers[i].NotedAt); age < 0 || age > time.Hour {
			t.Errorf("%+v was noted %v ago", makers[i], age)
		}
		makers[i].NotedAt = time.Time{}
	}
	want := []logbook.Maker{
		{Kind: "emmc", ManufacturerID: 0x1b, Name: "Maker B"},
		{Kind: "sd", ManufacturerID: 0, Name: "Maker D"},
		{Kind: "sd", ManufacturerID: 0x1b, Name: "Maker A"},
	}
	if diff := cmp.Diff(want, makers); diff != "" {
		t.Errorf("makers (-want +got):\n%s", diff)
	}
	for cid, want := range map[string]string{sd.CID: "Maker A", emmc.Conditions.CardRegisterCID: "Maker B"} {
		if card, err := book.CardByCID(t.Context(), cid); err != nil || card.Maker != want {
			t.Errorf("card %s is of %q, %v, want %q", cid, card.Maker, err, want)
		}
	}
	odd := logbook.Registers{Kind: logbook.KindEMMC, CID: cid("CARDA", 0x10, 1)} // what the registers say counts
	if card, err := book.MeetCard(t.Context(), "", 0, &odd); err != nil || card.CardID != sd.CardID || card.Maker != "Maker B" {
		t.Errorf("card %+v, %v", card, err)
	}
}
