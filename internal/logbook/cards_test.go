package logbook_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"cardwright/internal/logbook"

	"github.com/google/go-cmp/cmp"
)

// registersOf is what the card with this CID tells.
func registersOf(cid string) *logbook.Registers {
	return &logbook.Registers{
		Kind: logbook.KindSD, CID: cid, CSD: "400e00325b590000ef4f7f800a4000d1", SCR: "0235800300000000", SSR: "00000000",
		CapacityBytes: 31_914_983_424, AUBytes: 4 << 20, SpeedClass: 10, UHSGrade: 3, VideoClass: 30, AppClass: 1,
	}
}

// meet notes that a card is at hand.
func meet(t *testing.T, book *logbook.Book, label string, sizeBytes int64, registers *logbook.Registers) *logbook.CardRecord {
	t.Helper()
	card, err := book.MeetCard(t.Context(), label, sizeBytes, registers)
	if err != nil {
		t.Fatal(err)
	}
	return card
}

func TestCardTellsWhatWasLastSeenOfIt(t *testing.T) {
	path := bookPath(t)
	book := open(t, path)
	first, second := registersOf(cid("CARDA", 0x10, 1)), registersOf(cid("CARDA", 0x10, 1))
	second.SSR, second.AppClass = "", 0 // another reader shows less
	run := flashRun("a", "")
	run.Registers = first
	record(t, book, run, "x", nil)
	if shown, err := book.Show(t.Context(), run.RunID); err != nil || !cmp.Equal(shown.Registers, first) {
		t.Errorf("the run: %+v, %v", shown.Registers, err)
	}
	for step, c := range []struct {
		tells, want *logbook.Registers
		rows        int
	}{
		{nil, first, 1},
		{second, second, 2},
		{nil, second, 2},
		{first, first, 2},
		{second, second, 2},
		{&logbook.Registers{CSD: "40"}, &logbook.Registers{CSD: "40"}, 3}, // known by its label
	} {
		card := meet(t, book, "a", 0, c.tells)
		if diff := cmp.Diff(c.want, card.Registers); diff != "" || card.CardID != run.CardID {
			t.Errorf("step %d: card %d (-want +got):\n%s", step, card.CardID, diff)
		}
		if card.SizeBytes != run.Conditions.CardSizeBytes {
			t.Errorf("step %d: the size became %d", step, card.SizeBytes)
		}
		if rows, seenAgain := storedSets(t, path); rows != c.rows || seenAgain != (step >= 3) {
			t.Errorf("step %d: %d sets of registers, want %d; the first was seen again: %v", step, rows, c.rows, seenAgain)
		}
	}
	decoded := *second // a later program reads something else out of the same
	decoded.CapacityBytes, decoded.AUBytes, decoded.SpeedClass, decoded.UHSGrade = 1, 2, 4, 1
	decoded.VideoClass, decoded.AppClass = 60, 2
	if card := meet(t, book, "", 0, &decoded); !cmp.Equal(card.Registers, &decoded) {
		t.Errorf("decoded anew: %+v", card.Registers)
	}
	if rows, _ := storedSets(t, path); rows != 3 {
		t.Errorf("%d sets of registers after they were decoded anew", rows)
	}
	other := registersOf(cid("CARDA", 0x10, 2))
	if card := meet(t, book, "b", 0, other); card.CardID == run.CardID || !cmp.Equal(card.Registers, other) {
		t.Errorf("another card: %+v", card)
	}
}

// storedSets counts the sets of registers past the logbook, and tells whether the first one was seen later than at first.
func storedSets(t *testing.T, path string) (rows int, seenAgain bool) {
	t.Helper()
	err := openPlain(t, path).QueryRowContext(t.Context(), `SELECT count(*),
		(SELECT last_seen_at > first_seen_at FROM registers WHERE registers_id = 1) FROM registers`).Scan(&rows, &seenAgain)
	if err != nil {
		t.Fatal(err)
	}
	return rows, seenAgain
}

// In a run both the conditions and the registers may hold the CID; either makes the card known.
func TestCardIsKnownByItsRegistersToo(t *testing.T) {
	book := open(t, bookPath(t))
	mine := cid("CARDA", 0x10, 1)
	run := flashRun("", mine)
	record(t, book, run, "x", trace(1))
	again := flashRun("", "")
	again.Registers = registersOf(mine)
	record(t, book, again, "x", trace(2))
	check := capacityCheck("", run.Conditions.CardSizeBytes)
	if err := book.BeginCapacity(t.Context(), check, registersOf(mine)); err != nil {
		t.Fatal(err)
	}
	card := meet(t, book, "", 0, registersOf(mine))
	if again.CardID != run.CardID || check.CardID != run.CardID || card.CardID != run.CardID {
		t.Errorf("cards %d, %d, %d and %d", run.CardID, again.CardID, check.CardID, card.CardID)
	}
	other := flashRun("", "")
	other.Registers = registersOf(cid("CARDA", 0x10, 2))
	if peers, err := book.Peers(t.Context(), other, begunImage("y")); err != nil || len(peers) != 1 {
		t.Errorf("%d peers, %v", len(peers), err)
	}
}

// TestCardIsTheSameInEveryHost meets a card whose CID ends in its checksum, as the specification has it, in hosts that clear the end
// bit, or leave the checksum out.
func TestCardIsTheSameInEveryHost(t *testing.T) {
	book := open(t, bookPath(t))
	whole := cid("CARDA", 0x10, 1)
	first := meet(t, book, "attic-07", 1<<30, registersOf(whole))
	for _, host := range []string{whole[:30] + "2e", whole[:30] + "00", strings.ToUpper(whole[:30]) + "2F", whole} {
		if again := meet(t, book, "", 0, registersOf(host)); again.CardID != first.CardID || again.Label != "attic-07" {
			t.Errorf("%s: card %d with label %q, want %d", host, again.CardID, again.Label, first.CardID)
		}
		if card, err := book.CardByCID(t.Context(), host); err != nil || card.CardID != first.CardID {
			t.Errorf("by %s: %+v, %v", host, card, err)
		}
		if others, err := book.Product(t.Context(), host); err != nil || len(others) != 0 {
			t.Errorf("by %s the card is its own kin: %v, %v", host, others, err)
		}
	}
	if other := meet(t, book, "", 0, registersOf(cid("CARDA", 0x10, 2))); other.CardID == first.CardID {
		t.Error("another serial is taken for the same card")
	}
}

// A label that is stuck onto another card is that one's from then on; what was noted of the first stays with it, and is found by
// its CID or number.
func TestLabelThatMovedLeadsToTheCardThatBearsIt(t *testing.T) {
	book := open(t, bookPath(t))
	one, two := cid("CARDA", 0x10, 1), cid("CARDA", 0x10, 2)
	first := meet(t, book, "a", 1<<30, registersOf(one))
	if err := book.SetFacts(t.Context(), first.CardID, map[string]string{"price": "7.90"}, noon); err != nil {
		t.Fatal(err)
	}
	second := meet(t, book, "a", 1<<30, registersOf(two))
	if got, err := book.CardByLabel(t.Context(), "a"); err != nil || got.CardID != second.CardID || len(got.Facts) != 0 {
		t.Errorf("by its label: %+v, %v", got, err)
	}
	if behind := meet(t, book, "a", 1<<30, nil); behind.CardID != second.CardID {
		t.Errorf("behind a reader that hides the CID: card %d, want %d", behind.CardID, second.CardID)
	}
	for _, text := range []string{one, "1B534D" + one[6:]} {
		if got, err := book.CardByCID(t.Context(), text); err != nil || got.CardID != first.CardID || got.Facts["price"] != "7.90" {
			t.Errorf("by the CID %s: %+v, %v", text, got, err)
		}
	}
	meet(t, book, "a", 1<<30, registersOf(one)) // and back again
	if got, err := book.CardByLabel(t.Context(), "a"); err != nil || got.CardID != first.CardID {
		t.Errorf("after it moved back: %+v, %v", got, err)
	}
	// With a CID that is not known yet, a label leads only to a card whose CID was never read.
	third := meet(t, book, "a", 1<<30, registersOf(cid("CARDA", 0x10, 3)))
	if third.CardID == first.CardID || third.CardID == second.CardID {
		t.Errorf("a third card is %d", third.CardID)
	}
}

func TestUnknownCardsAreNotFound(t *testing.T) {
	book := open(t, bookPath(t))
	record(t, book, flashRun("", ""), "x", nil) // neither label nor CID
	for name, ask := range map[string]func() (*logbook.CardRecord, error){
		"label":          func() (*logbook.CardRecord, error) { return book.CardByLabel(t.Context(), "a") },
		"no label":       func() (*logbook.CardRecord, error) { return book.CardByLabel(t.Context(), "") },
		"CID":            func() (*logbook.CardRecord, error) { return book.CardByCID(t.Context(), cid("CARDA", 0x10, 1)) },
		"no CID":         func() (*logbook.CardRecord, error) { return book.CardByCID(t.Context(), "") },
		"a CID of zeros": func() (*logbook.CardRecord, error) { return book.CardByCID(t.Context(), zeros) },
	} {
		if card, err := ask(); !errors.Is(err, logbook.ErrNoCard) || card != nil {
			t.Errorf("%s: %+v, %v", name, card, err)
		}
	}
	for _, registers := range []*logbook.Registers{nil, {CSD: "40"}, {CID: zeros}} {
		if card, err := book.MeetCard(t.Context(), "", 1<<30, registers); err == nil {
			t.Errorf("a card that has neither label nor CID was met as %+v", card)
		}
	}
	cards, err := book.ListCards(t.Context(), logbook.CardFilter{})
	if err != nil || len(cards) != 0 || cards == nil {
		t.Errorf("listed are %+v, %v", cards, err)
	}
	if others, err := book.Product(t.Context(), "unknown"); err != nil || len(others) != 0 || others == nil {
		t.Errorf("of no product: %+v, %v", others, err)
	}
}

func TestCardsAreListedInTheOrderAskedFor(t *testing.T) {
	book := open(t, bookPath(t))
	for _, label := range []string{"node-10", "node-2", "attic", "node-1"} {
		meet(t, book, label, 1<<30, nil)
	}
	meet(t, book, "", 1<<30, registersOf(cid("CARDB", 0x10, 1)))
	meet(t, book, "", 1<<30, registersOf(cid("CARDA", 0x10, 1)))
	record(t, book, flashRun("node-2", ""), "x", nil)
	check := beginCheck(t, book, "attic")
	for _, c := range []struct {
		filter logbook.CardFilter
		want   []string
	}{
		{logbook.CardFilter{}, []string{"attic", "node-1", "node-2", "node-10", "CARDA", "CARDB"}},
		{logbook.CardFilter{Limit: 3}, []string{"attic", "node-1", "node-2"}},
		{logbook.CardFilter{Limit: 99, LatestFirst: true}, []string{"attic", "node-2", "CARDA", "CARDB", "node-1", "node-10"}},
		{logbook.CardFilter{Limit: 1, LatestFirst: true}, []string{"attic"}},
	} {
		cards, err := book.ListCards(t.Context(), c.filter)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, card := range cards {
			name := card.Label
			for _, product := range []string{"CARDA", "CARDB"} {
				if card.CID == cid(product, 0x10, 1) {
					name += product
				}
			}
			got = append(got, name)
		}
		if !slices.Equal(got, c.want) || cards[0].CardID != check.CardID {
			t.Errorf("%+v: %q, want %q", c.filter, got, c.want)
		}
	}
}

// The label that a card of a batch is meant for is not on it before its turn is done.
func TestLabelsAreThoseThatWereOnTheCard(t *testing.T) {
	book := open(t, bookPath(t))
	mine, other := cid("CARDA", 0x10, 1), cid("CARDA", 0x10, 2)
	record(t, book, flashRun("b", mine), "x", nil)
	meet(t, book, "a", 0, registersOf(mine))
	check := capacityCheck("c", 1<<30)
	if err := book.BeginCapacity(t.Context(), check, registersOf(mine)); err != nil {
		t.Fatal(err)
	}
	batch := openBatch(t, book, stack(false))
	for i, c := range []struct {
		label string
		done  bool
	}{{"done", true}, {"returned", false}} {
		turn, err := batch.Give(t.Context(), c.label)
		if err != nil {
			t.Fatal(err)
		}
		run := batchRun(batch, int64(i+1), c.label, mine)
		begin(t, book, run)
		settle(t, batch, turn.Number, run.RunID, c.done)
	}
	meet(t, book, "z", 0, registersOf(other))
	card := meet(t, book, "b", 0, registersOf(mine)) // as at first
	if want := []string{"a", "b", "c", "done"}; card.Label != "b" || !slices.Equal(card.Labels, want) {
		t.Errorf("labels %q, want %q", card.Labels, want)
	}
}

// A rateCase is a run on a card, and whether its rate tells of the card.
type rateCase struct {
	name    string
	begun   func(run *logbook.Run)
	outcome func(run *logbook.Run)
	tells   bool
}

func TestRateIsThatOfTheLatestFlashThatTellsOfTheCard(t *testing.T) {
	for _, c := range []rateCase{
		{name: "intact", tells: true},
		{name: "the source was the limit", outcome: func(r *logbook.Run) { r.Conditions.SourceWasTheLimit = true }},
		{name: "the bus was the limit", outcome: func(r *logbook.Run) { r.Conditions.BusWasTheLimit = true }},
		{name: "free space was left out", begun: skippedFree},
		{name: "unfinished", outcome: func(r *logbook.Run) { r.Verdict = logbook.Unfinished }},
		{name: "a check", begun: func(r *logbook.Run) { r.Operation = logbook.OperationCheck }},
		{name: "of another size", begun: func(r *logbook.Run) { r.Conditions.CardSizeBytes = 1 << 30 }},
		{name: "without a rate", outcome: func(r *logbook.Run) { r.Write = nil }},
	} {
		t.Run(c.name, c.check)
	}
}

func (c rateCase) check(t *testing.T) {
	book := open(t, bookPath(t))
	mine, other := cid("CARDA", 0x10, 1), cid("CARDA", 0x10, 2)
	earlier, later := flashRun("a", mine), flashRun("a", mine)
	sizeBytes := earlier.Conditions.CardSizeBytes
	if c.begun != nil {
		c.begun(later)
	}
	const earlierRate, laterRate = 1e7 / 3.0, 2e7 / 3.0 // which have no short decimal form
	finishAt(t, book, earlier, earlierRate, nil)
	finishAt(t, book, later, laterRate, c.outcome)
	card := meet(t, book, "", sizeBytes, registersOf(mine))
	meet(t, book, "b", sizeBytes, registersOf(other))
	want := earlierRate
	if c.tells {
		want = laterRate
	}
	if card.WriteBytesPerSecond != want || card.Runs != 2 || card.LastRun.RunID != later.RunID {
		t.Errorf("the rate is %v, want %v; %d runs, the last %+v", card.WriteBytesPerSecond, want, card.Runs, card.LastRun)
	}
	if diff := cmp.Diff(summaryOf(&logbook.Record{Run: *later}), card.LastRun); diff != "" {
		t.Errorf("the last run (-want +got):\n%s", diff)
	}
	lastFlash := later
	if later.Operation != logbook.OperationFlash {
		lastFlash = earlier
	}
	if diff := cmp.Diff(summaryOf(&logbook.Record{Run: *lastFlash}), card.LastFlash); diff != "" {
		t.Errorf("the last flash (-want +got):\n%s", diff)
	}
	others, err := book.Product(t.Context(), other)
	if diff := cmp.Diff([]logbook.CardRecord{*card}, others); diff != "" || err != nil {
		t.Errorf("asked from the other card: %v (-want +got):\n%s", err, diff)
	}
}

// finishAt begins and finishes a flash that went at this rate, with an outcome that may be changed.
func finishAt(t *testing.T, book *logbook.Book, run *logbook.Run, bytesPerSecond float64, change func(*logbook.Run)) {
	t.Helper()
	begin(t, book, run)
	ended(run).Write.SustainedBytesPerSecond = bytesPerSecond
	if change != nil {
		change(run)
	}
	if err := book.Finish(t.Context(), run, endedImage("x"), nil); err != nil {
		t.Fatal(err)
	}
}

func TestProductIsSharedByMakerOEMNameAndRevision(t *testing.T) {
	book := open(t, bookPath(t))
	asked := cid("CARDA", 0x10, 1)
	const size = 31_914_983_424
	for i, c := range []struct {
		cid       string
		sizeBytes int64
	}{
		{cid("CARDA", 0x10, 2), size},
		{cid("CARDA", 0x10, 3), size / 2},
		{cid("CARDA", 0x11, 4), size},
		{cid("CARDB", 0x10, 5), size},
		{"02" + asked[2:], size},
		{"1b5858" + asked[6:], size},
		{asked, size},
		{cid("CARDA", 0x10, 6), 0}, // unknown
	} {
		run := flashRun(fmt.Sprint("card ", i), c.cid)
		run.Registers, run.Conditions.CardSizeBytes = registersOf(c.cid), c.sizeBytes
		record(t, book, run, "x", nil)
	}
	rates := func(cid string) map[string]float64 {
		others, err := book.Product(t.Context(), cid)
		if err != nil {
			t.Fatal(err)
		}
		rates := map[string]float64{}
		for _, other := range others {
			rates[other.Label] = other.WriteBytesPerSecond
			if !cmp.Equal(other.Registers, registersOf(other.CID)) || !slices.Equal(other.Labels, []string{other.Label}) {
				t.Errorf("%s tells %+v, %q", other.Label, other.Registers, other.Labels)
			}
		}
		return rates
	}
	if diff := cmp.Diff(map[string]float64{"card 0": 16 << 20, "card 1": 0, "card 7": 0}, rates(asked)); diff != "" {
		t.Errorf("beside a card that was met (-want +got):\n%s", diff)
	}
	unmet := cid("CARDA", 0x10, 9) // of a size that nobody knows
	if diff := cmp.Diff(map[string]float64{"card 0": 0, "card 1": 0, "card 6": 0, "card 7": 0}, rates(unmet)); diff != "" {
		t.Errorf("beside a card that was never met (-want +got):\n%s", diff)
	}
}

// Some hundred cards are listed while the operator waits for it.
func TestHundredsOfCardsAreListedAtOnce(t *testing.T) {
	book := open(t, bookPath(t))
	const count = 300
	for i := range count {
		record(t, book, flashRun(fmt.Sprint("card ", i), cid("CARDA", 0x10, uint32(i+1))), "x", trace(i))
	}
	begun := time.Now()
	cards, err := book.ListCards(t.Context(), logbook.CardFilter{})
	if took := time.Since(begun); err != nil || len(cards) != count || took > 10*time.Second {
		t.Errorf("%d cards in %v, %v", len(cards), took, err)
	}
	t.Logf("%d cards in %v", count, time.Since(begun))
}
