//go:build oracle

package logbook_test

import (
	"os/exec"
	"strings"
	"testing"
	"time"

	"cardwright/internal/logbook"
)

// The sqlite3 command (3.40.1 of Debian 12 when this was written) reads the tables without any of this project's code.
func TestSQLiteToolReadsTheSameTables(t *testing.T) {
	path := bookPath(t)
	book := open(t, path)
	record(t, book, flashRun("node-07", cid("CARDA", 0x10, 1)), "board.img.xz", trace(3))
	renamed := flashRun("", "")
	if err := book.Begin(t.Context(), renamed, begunImage("copy.img.xz")); err != nil {
		t.Fatal(err)
	}
	same := endedImage("board.img.xz")
	same.Name = "copy.img.xz"
	if err := book.Finish(t.Context(), ended(renamed), same, nil); err != nil {
		t.Fatal(err)
	}
	if err := book.Begin(t.Context(), flashRun("node-08", ""), begunImage("other")); err != nil {
		t.Fatal(err)
	}
	noteEverything(t, book)
	cases := map[string]string{
		"SELECT * FROM cards": "1|1b534d434152444110000000010125ff|1b534d434152444110|node-07|31914983424|5|1\n" +
			"2||||31914983424|2|\n3|||node-08|1073741824|4|",
		"SELECT * FROM labels": "1|node-07\n3|node-08",
		"SELECT registers_id, card_id, kind, cid, ssr, capacity_bytes, app_class, first_seen_at <= last_seen_at FROM registers": "" +
			"1|1|sd|1b534d434152444110000000010125ff|00000000|31914983424|1|1",
		"SELECT * FROM facts": "1|1|price|7.90|2026-03-04T12:00:00.000000000Z\n2|1|currency|EUR|2026-03-04T12:00:00.000000000Z\n" +
			"3|1|price||2026-03-04T13:00:00.000000000Z",
		"SELECT naming_id, kind, manufacturer_id, name FROM makers": "1|sd|27|Maker A",
		"SELECT check_id, card_id, device, bay, label, started_at, closed_at > started_at, mode, verdict, claimed_bytes, true_bytes, " +
			"document FROM capacity_checks": "1|3|/dev/sdb|1-1.2|node-08|2026-03-04T05:06:07.000000890Z|1|quick|short|1073741824|512|" +
			"{\"verdict\":\"short\"}",
		"SELECT image_id, name, image_bytes, image_sha256 FROM images ORDER BY 1": "1|copy.img.xz|8388608|" +
			digest("board.img.xz") + "\n2|other|0|",
		"SELECT run_id, card_id, image_id, operation, bay, started_at, closed_at > started_at, verdict, pace, " +
			"time_to_flash_s, sustained_bytes_per_s, source_limited FROM runs": "" +
			"1|1|1|flash|1-1.2|2026-03-04T05:06:07.000000890Z|1|intact|unjudged|12.5|16777216.0|0\n" +
			"2|2|1|flash|1-1.2|2026-03-04T05:06:07.000000890Z|1|intact|unjudged|12.5|16777216.0|0\n" +
			"3|3|2|flash|1-1.2|2026-03-04T05:06:07.000000890Z||unfinished||||0",
		"SELECT document ->> '$.verdict', document ->> '$.run_id', image_document ->> '$.name' FROM runs": "" +
			"intact|1|board.img.xz\nintact|2|copy.img.xz\nunfinished|3|other",
		"SELECT * FROM traces":   "1|0|4194304|4194304|3|200000000\n1|1|0|103|1000000000|3000",
		"PRAGMA integrity_check": "ok",
		"PRAGMA journal_mode":    "wal",
	}
	for query, want := range cases {
		out, err := exec.CommandContext(t.Context(), "sqlite3", "-readonly", path, query).CombinedOutput()
		if err != nil || strings.TrimSpace(string(out)) != want {
			t.Errorf("%s\n%s%v, want\n%s", query, out, err, want)
		}
	}
	for _, statement := range []string{
		"UPDATE facts SET value = '1'", "DELETE FROM facts WHERE fact_id = 1", "UPDATE makers SET name = ''", "DELETE FROM makers",
	} {
		if out, err := exec.CommandContext(t.Context(), "sqlite3", path, statement).CombinedOutput(); err == nil {
			t.Errorf("%s: history was changed: %s", statement, out)
		}
	}
	if _, err := book.List(t.Context(), logbook.Filter{}); err != nil {
		t.Error(err)
	}
}

// noteEverything notes of the cards what is no run.
func noteEverything(t *testing.T, book *logbook.Book) {
	t.Helper()
	check := capacityCheck("node-08", 1<<30)
	if err := book.BeginCapacity(t.Context(), check, nil); err != nil {
		t.Fatal(err)
	}
	if err := finishCheck(t, book, check, "short", 512); err != nil {
		t.Fatal(err)
	}
	card := meet(t, book, "node-07", 0, registersOf(cid("CARDA", 0x10, 1)))
	for i, facts := range []map[string]string{{"price": "7.90", "currency": "EUR"}, {"price": ""}} {
		if err := book.SetFacts(t.Context(), card.CardID, facts, noon.Add(time.Duration(i)*time.Hour)); err != nil {
			t.Fatal(err)
		}
	}
	if err := book.NameMaker(t.Context(), logbook.KindSD, 0x1b, "Maker A"); err != nil {
		t.Fatal(err)
	}
}
