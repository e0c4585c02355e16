package logbook

// In the package itself: a logbook of version 2 is written with the changes and the SQL of that version.

import (
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"cardwright/flash"
	"cardwright/flash/source"
)

// version2SQL is what the program of version 2 wrote beside what version 1 had: a batch of which one turn is done and one was
// returned, a card of the product that version 1 met, whose label moved, and the card that bears it now. Its documents hold none of
// the later fields.
const version2SQL = version1SQL + `
INSERT INTO cards VALUES (4, '1b534d4341524441100000000200125f', '1b534d434152444110', 'c', 2000), (5, '', '', 'stack-001', 1000),
	(6, '', '', '', 1000), (7, '1b534d4341524442100000000300125f', '1b534d434152444210', 'c', 2000);
INSERT INTO batches VALUES (3, 'stack', 'abc', '2026-03-05T05:06:07.000000000Z');
INSERT INTO runs (run_id, card_id, image_id, operation, device, bay, label, started_at, closed_at, verdict, pace,
		sustained_bytes_per_s, source_limited, document, image_document, batch_id, imprint, skip_free) VALUES
	(8, 7, 1, 'flash', '/dev/sdb', '1-1', 'c', '2026-03-05T05:06:07.000000000Z', '2026-03-05T05:07:07.000000000Z', 'intact',
	'unjudged', 21e6, 0, '{"label":"c","operation":"flash","verdict":"intact","write":{"sustained_bytes_per_s":21000000},
	"conditions":{"port_path":"1-1","card_size_bytes":2000,"cid":"1b534d4341524442100000000300125f"}}',
	'{"name":"x","image_sha256":"abc"}', NULL, 'beef', 0),
	(9, 4, 1, 'flash', '/dev/sdb', '1-1', 'earlier', '2026-03-05T05:08:07.000000000Z', '2026-03-05T05:09:07.000000000Z', 'intact',
	'unjudged', 22e6, 0, '{"label":"earlier","operation":"flash","verdict":"intact","write":{"sustained_bytes_per_s":22000000},
	"conditions":{"port_path":"1-1","card_size_bytes":2000,"cid":"1b534d4341524441100000000200125f"}}',
	'{"name":"x","image_sha256":"abc"}', NULL, 'beef', 0),
	(10, 5, 1, 'flash', '/dev/sdb', '1-1', 'stack-001', '2026-03-05T05:16:07.000000000Z', '2026-03-05T05:17:07.000000000Z',
	'intact', 'unjudged', 23e6, 0, '{"label":"stack-001","number":1,"operation":"flash","verdict":"intact"}',
	'{"name":"x"}', 3, '', 0),
	(11, 6, 1, 'flash', '/dev/sdb', '1-1', 'stack-002', '2026-03-05T05:26:07.000000000Z', '2026-03-05T05:27:07.000000000Z',
	'damaged', 'unjudged', 24e6, 0, '{"label":"stack-002","number":2,"operation":"flash","verdict":"damaged"}',
	'{"name":"x"}', 3, '', 0),
	(12, 4, 1, 'check', '/dev/sdb', '1-1', 'c', '2026-03-05T05:36:07.000000000Z', NULL, 'unfinished', '', NULL, 0,
	'{"label":"c","operation":"check","verdict":"unfinished"}', '{"name":"x"}', NULL, '', 0);
INSERT INTO traces VALUES (9, 0, 0, 4, 5, 6);
INSERT INTO turns VALUES (3, 1, 'stack-001', 'done', 10, '2026-03-05T05:16:07.000000000Z', '2026-03-05T05:17:08.000000000Z'),
	(3, 2, 'stack-002', 'returned', 11, '2026-03-05T05:26:07.000000000Z', '2026-03-05T05:27:08.000000000Z');`

// openOlder opens a logbook that the program of an older version wrote, after its rows were held against those from before.
func openOlder(t *testing.T, version int, sql string) *Book {
	t.Helper()
	path := filepath.Join(t.TempDir(), "logbook.db")
	db := connectNew(t, path)
	if err := migrate(t.Context(), db, firstFiles(t, version)); err != nil {
		t.Fatal(err)
	}
	if _, err := db.ExecContext(t.Context(), sql); err != nil {
		t.Fatal(err)
	}
	before := tableRows(t, db, "series")
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	book, err := Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { book.Close() })
	if diff := cmp.Diff(before, tableRows(t, book.db, "product")); diff != "" {
		t.Errorf("the rows of version %d changed (-before +after):\n%s", version, diff)
	}
	return book
}

// What version 2 wrote is there after the tables were brought up to date: its cards are told with what can be known of them, its runs
// count as runs that no bus limited and in which nothing was told of registers, and the next run goes on with its numbers.
func TestLogbookOfVersion2KeepsEverything(t *testing.T) {
	book := openOlder(t, 2, version2SQL)
	day, rate := time.Date(2026, 3, 5, 5, 8, 7, 0, time.UTC), 22e6
	moved := &CardRecord{
		CardID: 4, Label: "c", Labels: []string{"c", "earlier"}, CID: "1b534d4341524441100000000200125f", SizeBytes: 2000,
		Facts: map[string]string{}, Runs: 2, WriteBytesPerSecond: rate,
		LastRun: &RunSummary{RunID: 12, Operation: OperationCheck, StartedAt: day.Add(28 * time.Minute), Verdict: Unfinished},
		LastFlash: &RunSummary{
			RunID: 9, Operation: OperationFlash, StartedAt: day, Verdict: Intact, Pace: flash.PaceUnjudged, SustainedBytesPerSecond: &rate,
		},
	}
	got, err := book.CardByLabel(t.Context(), "c") // of two, the one with the latest run
	if diff := cmp.Diff(moved, got); diff != "" || err != nil {
		t.Errorf("the card: %v (-want +got):\n%s", err, diff)
	}
	labels := map[int64][]string{}
	for cardID := range int64(7) {
		card, err := firstCard(t.Context(), book.db, `cards.card_id = ?`, cardID+1)
		if err != nil {
			t.Fatal(err)
		}
		labels[card.CardID] = card.Labels
	}
	want := map[int64][]string{1: {"a"}, 2: {"b"}, 3: {}, 4: {"c", "earlier"}, 5: {"stack-001"}, 6: {}, 7: {"c"}}
	if diff := cmp.Diff(want, labels); diff != "" {
		t.Errorf("labels (-want +got):\n%s", diff)
	}
	others, err := book.Product(t.Context(), "1b534d4341524441100000000100125f")
	if diff := cmp.Diff([]CardRecord{*moved}, others); diff != "" || err != nil {
		t.Errorf("of the same product: %v (-want +got):\n%s", err, diff)
	}
	asking := &Run{Conditions: Conditions{
		PortPath: "1-1", CardSizeBytes: 2000, CardRegisterCID: "1b534d4341524441100000000100125f",
	}}
	peers, err := book.Peers(t.Context(), asking, source.Facts{})
	if diff := cmp.Diff([][]flash.Sample{{{LengthBytes: 4, Start: 5, Busy: 6}}}, peers); diff != "" || err != nil {
		t.Errorf("peers: %v (-want +got):\n%s", err, diff)
	}
	shown, err := book.Show(t.Context(), 9)
	if err != nil || shown.Registers != nil || shown.Conditions.BusWasTheLimit {
		t.Errorf("the run: %+v, %v", shown, err)
	}
	batch, err := book.OpenBatch(t.Context(), BatchOptions{Name: "stack", ImageSHA256: "abc"})
	if err != nil {
		t.Fatal(err)
	}
	defer batch.Close()
	if turn, err := batch.Give(t.Context(), ""); err != nil || turn.Number != 3 || batch.ID() != 3 {
		t.Errorf("the batch %d goes on with %+v, %v", batch.ID(), turn, err)
	}
	next := &Run{Label: "c", Operation: OperationFlash, StartedAt: time.Now()}
	if err := book.Begin(t.Context(), next, source.Facts{}); err != nil || next.RunID != 13 || next.CardID != 4 {
		t.Errorf("the next run has number %d, on card %d, %v", next.RunID, next.CardID, err)
	}
}
