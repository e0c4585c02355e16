package logbook_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"cardwright/flash"
	"cardwright/internal/logbook"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// A model is the logbook as plain maps, against which the real one is held.
type model struct {
	records []logbook.Record         // in the order of their numbers
	closed  map[int64]bool           // by run
	traces  map[int64][]flash.Sample // by run
	labels  map[int64]string         // by card, as last told
	byCID   map[string]int64         // cards
	hasCID  map[int64]bool
	cards   int64
	turns   []logbook.Turn // of the one batch there is
	cardModel
}

// cardOf names the card of a run by the rules of Begin.
func (m *model) cardOf(run *logbook.Run) int64 {
	label := run.Label
	if run.BatchID != 0 {
		label = "" // until the turn is done
	}
	return m.meet(run.Conditions.CardRegisterCID, label, run.Conditions.CardSizeBytes, run.Registers)
}

// list is what List must give.
func (m *model) list(f logbook.Filter) []logbook.Record {
	limit := f.Limit
	if limit == 0 {
		limit = 50
	}
	records := []logbook.Record{}
	for _, r := range slices.Backward(m.records) {
		if len(records) < limit && (f.Label == "" || m.labels[r.CardID] == f.Label) {
			records = append(records, r)
		}
	}
	return records
}

// peers is what Peers must give for a run whose image is known by name. Each name stands for one image.
func (m *model) peers(run *logbook.Run, imageName string) [][]flash.Sample {
	var traces [][]flash.Sample
	seen := map[int64]bool{run.CardID: true}
	for _, r := range slices.Backward(m.records) {
		related := r.Image.Name == imageName
		if cid := run.Conditions.CardRegisterCID; cid != "" {
			related = m.hasCID[r.CardID] && m.cidOf(r.CardID)[:18] == cid[:18] &&
				m.sizes[r.CardID] == run.Conditions.CardSizeBytes
		}
		known := m.hasCID[r.CardID] || m.labels[r.CardID] != ""
		good := r.Verdict == logbook.Intact && r.Operation == logbook.OperationFlash && !r.Conditions.SourceWasTheLimit &&
			!r.Conditions.BusWasTheLimit && r.Conditions.SkipFree == run.Conditions.SkipFree
		if related && known && good && !seen[r.CardID] && r.Bay() == run.Bay() && len(m.traces[r.RunID]) > 0 {
			seen[r.CardID] = true
			traces = append(traces, m.traces[r.RunID])
		}
	}
	return traces
}

func (m *model) cidOf(card int64) string {
	for cid, c := range m.byCID {
		if c == card && cid != "" {
			return cid
		}
	}
	return ""
}

func TestRandomOperationsAgreeWithAPlainMap(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	path := bookPath(t)
	book := open(t, path)
	batch := openBatch(t, book, stack(false))
	m := &model{
		closed: map[int64]bool{}, traces: map[int64][]flash.Sample{}, labels: map[int64]string{},
		byCID: map[string]int64{}, hasCID: map[int64]bool{}, cardModel: newCardModel(),
	}
	for step := range 900 {
		switch random.IntN(14) {
		case 0, 1, 2:
			m.begin(t, book, batch, random)
		case 3, 4, 5:
			m.finish(t, book, random)
		case 6:
			m.ask(t, book, random)
		case 7:
			if step%10 == 0 {
				closeAll(t, batch, book)
				book = open(t, path)
				batch = openBatch(t, book, stack(false))
			}
		case 8:
			m.takeTurn(t, batch, random)
		case 9:
			m.meetOutside(t, book, random)
		case 10:
			m.note(t, book, random)
		case 11:
			m.beginCheck(t, book, random)
		case 12:
			m.finishCheck(t, book, random)
		case 13:
			m.askCards(t, book, random)
		}
		if t.Failed() {
			t.Fatalf("at step %d", step)
		}
	}
	if diff := cmp.Diff(m.list(logbook.Filter{Limit: 9999}), mustList(t, book, logbook.Filter{Limit: 9999})); diff != "" {
		t.Errorf("at the end (-want +got):\n%s", diff)
	}
	expectTurns(t, batch, m.turns...)
	m.askCards(t, book, random)
	checkIntegrity(t, path)
}

// takeTurn gives a turn for any run, if its label is free, and settles it: done where the run allows it, else returned.
func (m *model) takeTurn(t *testing.T, batch *logbook.Batch, random *rand.Rand) {
	if len(m.records) == 0 {
		return
	}
	run := m.records[random.IntN(len(m.records))]
	taken := run.Label != "" && slices.ContainsFunc(m.turns, func(turn logbook.Turn) bool {
		return turn.Label == run.Label && turn.State == logbook.TurnDone
	})
	turn, err := batch.Give(t.Context(), run.Label)
	if taken {
		if !errors.Is(err, logbook.ErrLabelTaken) {
			t.Errorf("%q was given again: %v", run.Label, err)
		}
		return
	}
	if err != nil || turn.Number != int64(len(m.turns)+1) {
		t.Errorf("after %d turns: %+v, %v", len(m.turns), turn, err)
	}
	mayBeDone := run.BatchID != 0 && (!m.closed[run.RunID] || run.Verdict == logbook.Intact)
	switch err := batch.Settle(t.Context(), turn.Number, run.RunID, true); {
	case (err == nil) != mayBeDone:
		t.Errorf("a turn of run %d is done: %v, closed %v, of batch %d", run.RunID, err, m.closed[run.RunID], run.BatchID)
	case err == nil:
		turn.State, turn.RunID = logbook.TurnDone, run.RunID
		m.stick(run.CardID, turn.Label)
	default:
		turn.State = logbook.TurnReturned
		settle(t, batch, turn.Number, 0, false)
	}
	m.turns = append(m.turns, turn)
}

// pick gives one of the values.
func pick[T any](random *rand.Rand, values ...T) T { return values[random.IntN(len(values))] }

func randomRun(random *rand.Rand) *logbook.Run {
	serial := uint32(random.IntN(6))
	run := flashRun(pick(random, "", "a", "b", "c", "d", "e"), pick(random, "", "", cid("CARDA", 0x10, serial), cid("CARDB", 0x10, serial)))
	run.Conditions.PortPath = pick(random, "", "1-1", "1-2")
	run.Conditions.SkipFree = random.IntN(4) == 0
	run.Conditions.CardSizeBytes = pick(random, run.Conditions.CardSizeBytes, run.Conditions.CardSizeBytes, 1<<30)
	run.Registers = randomRegisters(random, run.Conditions.CardRegisterCID)
	run.Operation = pick(random, logbook.OperationFlash, logbook.OperationFlash, logbook.OperationCheck)
	return run
}

func (m *model) begin(t *testing.T, book *logbook.Book, batch *logbook.Batch, random *rand.Rand) {
	run, image := randomRun(random), begunImage(pick(random, "x", "y"))
	run.BatchID = pick(random, 0, batch.ID())
	if err := book.Begin(t.Context(), run, image); err != nil {
		t.Fatal(err)
	}
	want := m.cardOf(run)
	if run.RunID != int64(len(m.records)+1) || run.CardID != want {
		t.Errorf("run %d on card %d, want run %d on card %d", run.RunID, run.CardID, len(m.records)+1, want)
	}
	m.records = append(m.records, logbook.Record{Run: *run, Image: image})
}

func (m *model) finish(t *testing.T, book *logbook.Book, random *rand.Rand) {
	if len(m.records) == 0 {
		return
	}
	record := m.records[random.IntN(len(m.records))]
	run := record.Run
	ended(&run)
	run.Verdict = pick(random, logbook.Intact, logbook.Intact, logbook.Unfinished, logbook.Refused)
	run.Conditions.SourceWasTheLimit, run.Conditions.BusWasTheLimit = random.IntN(4) == 0, random.IntN(4) == 0
	run.Write.SustainedBytesPerSecond = 1e6 + 1e8*random.Float64()
	image := endedImage(record.Image.Name)
	samples := pick(random, nil, trace(int(run.RunID)))
	err := book.Finish(t.Context(), &run, image, samples)
	if (err != nil) != m.closed[run.RunID] {
		t.Errorf("finish run %d: %v, closed before: %v", run.RunID, err, m.closed[run.RunID])
	}
	if err == nil {
		m.closed[run.RunID] = true
		m.traces[run.RunID] = samples
		m.records[run.RunID-1] = logbook.Record{Run: run, Image: image}
	}
}

// ask compares what the logbook tells with what the maps hold.
func (m *model) ask(t *testing.T, book *logbook.Book, random *rand.Rand) {
	filter := logbook.Filter{Label: pick(random, "", "a", "b", "z"), Limit: pick(random, 0, 1, 7, 1000)}
	if diff := cmp.Diff(m.list(filter), mustList(t, book, filter)); diff != "" {
		t.Errorf("list %+v (-want +got):\n%s", filter, diff)
	}
	if len(m.records) == 0 {
		return
	}
	want := m.records[random.IntN(len(m.records))]
	got, err := book.Show(t.Context(), want.RunID)
	if err != nil || !cmp.Equal(&want, got) {
		t.Errorf("run %d: %v\n%s", want.RunID, err, cmp.Diff(&want, got))
	}
	samples, err := book.Trace(t.Context(), want.RunID)
	if err != nil || !cmp.Equal(m.traces[want.RunID], samples, cmpopts.EquateEmpty()) {
		t.Errorf("trace of run %d: %v, %v", want.RunID, samples, err)
	}
	name := pick(random, "x", "y")
	peers, err := book.Peers(t.Context(), &want.Run, begunImage(name))
	if diff := cmp.Diff(m.peers(&want.Run, name), peers, cmpopts.EquateEmpty()); diff != "" || err != nil {
		t.Errorf("peers of run %d for %s: %v (-want +got):\n%s", want.RunID, name, err, diff)
	}
}

func mustList(t *testing.T, book *logbook.Book, f logbook.Filter) []logbook.Record {
	t.Helper()
	records, err := book.List(t.Context(), f)
	if err != nil {
		t.Fatal(fmt.Errorf("list: %w", err))
	}
	return records
}
