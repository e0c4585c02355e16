package logbook_test

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"cardwright/internal/logbook"

	gocmp "github.com/google/go-cmp/cmp"
)

// A cardModel is what the logbook knows of cards beside their runs, as plain maps by card.
type cardModel struct {
	met       map[int64]int // the meeting at which a card was met last
	meetings  int
	sizes     map[int64]int64
	registers map[int64]*logbook.Registers
	everOn    map[int64]map[string]bool // labels
	facts     map[int64]map[string]string
	history   map[int64][]logbook.CardFact
	checks    []logbook.CapacityRecord // in the order of their numbers
	makers    map[string]string        // by kind
}

func newCardModel() cardModel {
	return cardModel{
		met: map[int64]int{}, sizes: map[int64]int64{}, registers: map[int64]*logbook.Registers{},
		everOn: map[int64]map[string]bool{}, facts: map[int64]map[string]string{}, history: map[int64][]logbook.CardFact{},
		makers: map[string]string{},
	}
}

// meet names the card that is met, by its CID, else by its label.
func (m *model) meet(cid, label string, sizeBytes int64, registers *logbook.Registers) int64 {
	card := m.byCID[cid]
	if card == 0 && label != "" {
		for c := range m.labels { // the card that was met last wins
			if m.labels[c] == label && (cid == "" || !m.hasCID[c]) && (card == 0 || m.met[c] > m.met[card]) {
				card = c
			}
		}
	}
	if card == 0 {
		m.cards++
		card = m.cards
		m.everOn[card], m.facts[card], m.labels[card] = map[string]bool{}, map[string]string{}, ""
	}
	m.meetings++
	m.met[card] = m.meetings
	if cid != "" {
		m.byCID[cid], m.hasCID[card] = card, true
	}
	m.stick(card, label)
	if sizeBytes > 0 {
		m.sizes[card] = sizeBytes
	}
	if registers != nil {
		m.registers[card] = registers
	}
	return card
}

// stick puts a label onto a card.
func (m *model) stick(card int64, label string) {
	if label != "" {
		m.labels[card] = label
		m.everOn[card][label] = true
	}
}

// randomRegisters are what a card with this CID tells; the CSD changes with the reader.
func randomRegisters(random *rand.Rand, cid string) *logbook.Registers {
	if cid == "" || random.IntN(3) == 0 {
		return nil
	}
	return &logbook.Registers{
		Kind: logbook.KindSD, CID: cid, CSD: pick(random, "", "400e", "400f"), SSR: "00", CapacityBytes: 1 << 30,
		AUBytes: int64(random.IntN(2)), SpeedClass: 10, UHSGrade: 1, VideoClass: 30, AppClass: random.IntN(3),
	}
}

func (m *model) meetOutside(t *testing.T, book *logbook.Book, random *rand.Rand) {
	run := randomRun(random)
	cid, label, registers := run.Conditions.CardRegisterCID, run.Label, run.Registers
	if registers == nil {
		cid = "" // outside a run nothing else holds it
	}
	card, err := book.MeetCard(t.Context(), label, run.Conditions.CardSizeBytes, registers)
	if cid == "" && label == "" {
		if err == nil || card != nil {
			t.Errorf("a card that has neither CID nor label was met as %+v", card)
		}
		return
	}
	if err != nil {
		t.Fatal(err)
	}
	want := m.card(m.meet(cid, label, run.Conditions.CardSizeBytes, registers))
	if diff := gocmp.Diff(&want, card); diff != "" {
		t.Errorf("the card that was met (-want +got):\n%s", diff)
	}
}

// note attaches two facts to a card and names a maker.
func (m *model) note(t *testing.T, book *logbook.Book, random *rand.Rand) {
	cardID, at := 1+int64(random.IntN(int(m.cards)+1)), time.Date(2026, 3, 4, 5, 6, 7, random.IntN(1e9), time.UTC)
	facts := map[string]string{"price": pick(random, "", "7.90", "8"), "seller": pick(random, "", "Corner shop", "Stall 7")}
	switch err := book.SetFacts(t.Context(), cardID, facts, at); {
	case cardID > m.cards:
		if !errors.Is(err, logbook.ErrNoCard) {
			t.Errorf("facts of a card that is not there: %v", err)
		}
		return
	case err != nil:
		t.Fatal(err)
	}
	for _, name := range []string{"seller", "price"} {
		if m.facts[cardID][name] != facts[name] {
			m.history[cardID] = append(m.history[cardID], logbook.CardFact{Name: name, Value: facts[name], NotedAt: at})
		}
		m.facts[cardID][name] = facts[name]
	}
	maps.DeleteFunc(m.facts[cardID], func(_, value string) bool { return value == "" })
	kind, name := pick(random, logbook.KindSD, logbook.KindEMMC), pick(random, "", "Maker A", "Maker B")
	if err := book.NameMaker(t.Context(), kind, 0x1b, name); err != nil {
		t.Fatal(err)
	}
	m.makers[kind] = name
}

func (m *model) beginCheck(t *testing.T, book *logbook.Book, random *rand.Rand) {
	run := randomRun(random)
	check := capacityCheck(run.Label, pick(random, 1<<30, run.Conditions.CardSizeBytes))
	cid := ""
	if run.Registers != nil {
		cid = run.Registers.CID
	}
	if err := book.BeginCapacity(t.Context(), check, run.Registers); err != nil {
		t.Fatal(err)
	}
	want := m.meet(cid, run.Label, check.ClaimedBytes, run.Registers)
	if check.CardID != want || check.CheckID != int64(len(m.checks)+1) {
		t.Errorf("check %d is of card %d, want check %d of card %d", check.CheckID, check.CardID, len(m.checks)+1, want)
	}
	m.checks = append(m.checks, *check)
}

func (m *model) finishCheck(t *testing.T, book *logbook.Book, random *rand.Rand) {
	if len(m.checks) == 0 {
		return
	}
	at := random.IntN(len(m.checks))
	check := m.checks[at]
	end := check
	end.Verdict = pick(random, "", "true", "short", "unreliable")
	if end.Verdict == "true" || end.Verdict == "short" {
		size := map[string]int64{"true": check.ClaimedBytes, "short": random.Int64N(check.ClaimedBytes)}[end.Verdict]
		end.TrueBytes = &size
	}
	end.Document = fmt.Appendf(nil, `{"verdict":%q}`, end.Verdict)
	err := book.FinishCapacity(t.Context(), &end)
	if check.Closed != errors.Is(err, logbook.ErrAlreadyClosed) || !check.Closed && err != nil {
		t.Errorf("finish check %d, closed before %v: %v", check.CheckID, check.Closed, err)
	}
	if err == nil {
		m.checks[at] = end
	}
}

// card is what the logbook must tell of a card.
func (m *model) card(cardID int64) logbook.CardRecord {
	c := logbook.CardRecord{
		CardID: cardID, Label: m.labels[cardID], CID: m.cidOf(cardID), SizeBytes: m.sizes[cardID], Registers: m.registers[cardID],
		Facts: m.facts[cardID],
	}
	if c.CID != "" {
		c.Maker = m.makers[logbook.KindSD]
	}
	for _, r := range m.records {
		if r.CardID != cardID {
			continue
		}
		c.Runs++
		c.LastRun = summaryOf(&r)
		if r.Operation != logbook.OperationFlash {
			continue
		}
		c.LastFlash = summaryOf(&r)
		limited := r.Conditions.SourceWasTheLimit || r.Conditions.BusWasTheLimit || r.Conditions.SkipFree
		if r.Verdict == logbook.Intact && !limited && r.Conditions.CardSizeBytes == c.SizeBytes {
			c.WriteBytesPerSecond = r.Write.SustainedBytesPerSecond
		}
	}
	for _, check := range m.checks {
		if check.CardID == cardID && check.Verdict != "" {
			c.LastCapacity = &logbook.CapacitySummary{
				CheckID: check.CheckID, StartedAt: check.StartedAt, Mode: check.Mode, Verdict: check.Verdict,
				ClaimedBytes: check.ClaimedBytes, TrueBytes: check.TrueBytes,
			}
		}
	}
	c.Labels = slices.AppendSeq([]string{}, maps.Keys(m.everOn[cardID]))
	slices.Sort(c.Labels)
	return c
}

func summaryOf(r *logbook.Record) *logbook.RunSummary {
	s := &logbook.RunSummary{RunID: r.RunID, Operation: r.Operation, StartedAt: r.StartedAt, Verdict: r.Verdict, Pace: r.Pace}
	if r.Write != nil {
		s.SustainedBytesPerSecond = &r.Write.SustainedBytesPerSecond
	}
	return s
}

// listCards is what ListCards must give, the card that was met last first.
func (m *model) listCards() []logbook.CardRecord {
	cards := []logbook.CardRecord{}
	for cardID := range m.cards {
		if card := m.card(cardID + 1); card.CID != "" || card.Label != "" {
			cards = append(cards, card)
		}
	}
	slices.SortFunc(cards, func(a, b logbook.CardRecord) int { return cmp.Compare(m.met[b.CardID], m.met[a.CardID]) })
	return cards
}

// askCards compares what the logbook tells of cards with what the maps hold.
func (m *model) askCards(t *testing.T, book *logbook.Book, random *rand.Rand) {
	want := m.listCards()
	got, err := book.ListCards(t.Context(), logbook.CardFilter{LatestFirst: true})
	if diff := gocmp.Diff(want, got); diff != "" || err != nil {
		t.Errorf("cards: %v (-want +got):\n%s", err, diff)
	}
	if len(want) == 0 {
		return
	}
	card := want[random.IntN(len(want))]
	history, err := book.FactHistory(t.Context(), card.CardID)
	if diff := gocmp.Diff(append([]logbook.CardFact{}, m.history[card.CardID]...), history); diff != "" || err != nil {
		t.Errorf("history of card %d: %v (-want +got):\n%s", card.CardID, err, diff)
	}
	checks, err := book.CapacityChecks(t.Context(), card.CardID)
	if diff := gocmp.Diff(m.checksOf(card.CardID), checks); diff != "" || err != nil {
		t.Errorf("checks of card %d: %v (-want +got):\n%s", card.CardID, err, diff)
	}
	bearer := slices.IndexFunc(want, func(c logbook.CardRecord) bool { return c.Label == card.Label })
	found, err := book.CardByLabel(t.Context(), card.Label)
	if card.Label != "" && (err != nil || found.CardID != want[bearer].CardID) {
		t.Errorf("the card %q: %+v, %v", card.Label, found, err)
	}
	if card.CID == "" {
		return
	}
	others := slices.DeleteFunc(want, func(c logbook.CardRecord) bool {
		return c.CID == "" || c.CID[:18] != card.CID[:18] || c.CardID == card.CardID
	})
	for i := range others {
		if others[i].SizeBytes != card.SizeBytes {
			others[i].WriteBytesPerSecond = 0
		}
	}
	related, err := book.Product(t.Context(), card.CID)
	if diff := gocmp.Diff(others, related); diff != "" || err != nil {
		t.Errorf("the product of card %d: %v (-want +got):\n%s", card.CardID, err, diff)
	}
}

// checksOf is what CapacityChecks must give.
func (m *model) checksOf(cardID int64) []logbook.CapacityRecord {
	checks := []logbook.CapacityRecord{}
	for _, check := range slices.Backward(m.checks) {
		if check.CardID == cardID {
			checks = append(checks, check)
		}
	}
	return checks
}
