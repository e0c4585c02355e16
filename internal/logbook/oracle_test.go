//go:build oracle

package logbook_test

import (
	"os/exec"
	"strings"
	"testing"

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
	cases := map[string]string{
		"SELECT * FROM cards": "1|1b534d434152444110000000010125ff|1b534d434152444110|node-07|31914983424\n" +
			"2||||31914983424\n3|||node-08|31914983424",
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
	if _, err := book.List(t.Context(), logbook.Filter{}); err != nil {
		t.Error(err)
	}
}
