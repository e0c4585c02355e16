package logbook

// In the package itself: a logbook of version 1 is written with the changes and the SQL of that version.

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"cardwright/flash"
	"cardwright/flash/source"
)

// version1SQL is what the program of version 1 wrote for two closed runs on labelled cards and an open one on a card with a CID.
// Its documents hold none of the later fields.
const version1SQL = `
INSERT INTO cards VALUES (1, '', '', 'a', 1000), (2, '', '', 'b', 1000),
	(3, '1b534d4341524441100000000100125f', '1b534d434152444110', '', 2000);
INSERT INTO images VALUES (1, 'x', 'raw', 0, 8, '', 'abc');
INSERT INTO runs (run_id, card_id, image_id, operation, device, bay, label, started_at, closed_at, verdict, pace,
		source_limited, document, image_document) VALUES
	(1, 1, 1, 'flash', '/dev/sdb', '1-1', 'a', '2026-03-04T05:06:07.000000000Z', '2026-03-04T05:07:07.000000000Z', 'intact',
	'unjudged', 0, '{"label":"a","operation":"flash","verdict":"intact","conditions":{"port_path":"1-1"}}',
	'{"name":"x","image_sha256":"abc"}'),
	(2, 2, 1, 'flash', '/dev/sdb', '1-1', 'b', '2026-03-04T05:16:07.000000000Z', '2026-03-04T05:17:07.000000000Z', 'damaged',
	'unjudged', 0, '{"label":"b","operation":"flash","verdict":"damaged","conditions":{"port_path":"1-1"}}',
	'{"name":"x","image_sha256":"abc"}'),
	(7, 3, 1, 'flash', '/dev/sdb', '1-1', '', '2026-03-04T05:26:07.000000000Z', NULL, 'unfinished', '', 0,
	'{"operation":"flash","verdict":"unfinished"}', '{"name":"x"}');
INSERT INTO traces VALUES (1, 0, 0, 4, 5, 6), (1, 1, 4, 4, 7, 8);`

// What version 1 wrote is there after the tables were brought up to date, is found as before, and its runs count as runs outside
// batches that left out nothing.
func TestLogbookOfVersion1KeepsEverything(t *testing.T) {
	book := openOlder(t, 1, version1SQL)
	facts := source.Facts{Name: "x", ImageSHA256: "abc"}
	want := Record{Run: Run{Label: "a", RunID: 1, CardID: 1, Operation: OperationFlash, Verdict: Intact}, Image: facts}
	want.Conditions.PortPath = "1-1"
	if got, err := book.Show(t.Context(), 1); err != nil || !cmp.Equal(&want, got) {
		t.Errorf("%v\n%s", err, cmp.Diff(&want, got))
	}
	asking := &Run{Label: "c", Conditions: Conditions{PortPath: "1-1"}}
	samples := []flash.Sample{{LengthBytes: 4, Start: 5, Busy: 6}, {OffsetBytes: 4, LengthBytes: 4, Start: 7, Busy: 8}}
	peers, err := book.Peers(t.Context(), asking, facts)
	if diff := cmp.Diff([][]flash.Sample{samples}, peers); diff != "" || err != nil {
		t.Errorf("peers: %v (-want +got):\n%s", err, diff)
	}
	open, err := book.Show(t.Context(), 7)
	if err != nil || open.Verdict != Unfinished {
		t.Fatalf("the open run: %+v, %v", open, err)
	}
	if err := book.Finish(t.Context(), &open.Run, open.Image, nil); err != nil {
		t.Errorf("the open run cannot be closed: %v", err)
	}
	next := &Run{Label: "b", Operation: OperationFlash, StartedAt: time.Now()}
	if err := book.Begin(t.Context(), next, facts); err != nil || next.RunID != 8 || next.CardID != 2 {
		t.Errorf("the next run has number %d, on card %d, %v", next.RunID, next.CardID, err)
	}
}

// tableRows spells out what stands in the columns that version 1 had, one of which was renamed since.
func tableRows(t *testing.T, db queryer, productColumn string) (lines []string) {
	t.Helper()
	for _, stored := range []struct{ table, columns string }{
		{"cards", "card_id, cid, " + productColumn + ", label, size_bytes"},
		{"images", "image_id, name, format, packed_bytes, image_bytes, packed_sha256, image_sha256"},
		{
			"runs", "run_id, card_id, image_id, operation, device, bay, label, started_at, closed_at, verdict, pace, time_to_flash_s, " +
				"time_to_proven_s, source_wait_s, sustained_bytes_per_s, source_limited, document, image_document",
		},
		{"traces", "run_id, seq, offset_bytes, length_bytes, start_ns, busy_ns"},
	} {
		var text string
		err := db.QueryRowContext(t.Context(),
			fmt.Sprintf(`SELECT json_group_array(json_array(%s)) FROM %s`, stored.columns, stored.table)).Scan(&text)
		if err != nil {
			t.Fatal(err)
		}
		lines = append(lines, stored.table+": "+text)
	}
	return lines
}
