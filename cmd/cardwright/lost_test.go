package main

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cardwright/internal/logbook"
	"cardwright/internal/report"
)

// A logbook that is lost while a card is written costs the card nothing: the flash ends with its report and with 0, and says that
// the run is not recorded.
func TestLogbookLostWhileACardIsWrittenCostsTheCardNothing(t *testing.T) {
	situations := map[string]func(bookPath string) error{
		"deleted":                 os.Remove,
		"deleted with its folder": func(bookPath string) error { return os.RemoveAll(filepath.Dir(bookPath)) },
		"moved":                   func(bookPath string) error { return os.Rename(bookPath, bookPath+".away") },
		"replaced": func(bookPath string) error {
			return errors.Join(os.WriteFile(bookPath+".new", []byte("note"), 0o600), os.Rename(bookPath+".new", bookPath))
		},
	}
	for name, lose := range situations {
		t.Run(name, func(t *testing.T) {
			flashLosing(t, filepath.Join(t.TempDir(), "made", "logbook.db"), lose)
		})
	}
	t.Logf("logbook faults: %d situations", len(situations))
}

// flashLosing flashes a card whose logbook is lost while most of the image is on the card and the rest has not come yet.
func flashLosing(t *testing.T, bookPath string, lose func(bookPath string) error) {
	t.Helper()
	cardPath := filepath.Join(t.TempDir(), "card.img")
	if err := os.WriteFile(cardPath, bytes.Repeat([]byte{filler}, 64<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	content := make([]byte, 40<<20)
	binary.LittleEndian.PutUint16(content[510:], 0xaa55)
	copy(content[446:], []byte{0, 0, 2, 0, 0x83, 0, 3, 0, 8, 0, 0, 0, 8})
	image, feed := io.Pipe()
	go func() { // ends with its last write, or with the pipe
		_, _ = feed.Write(content[:36<<20]) // returns once all of it was read: the card has taken most of it
		_ = feed.CloseWithError(writeRest(feed, content[36<<20:], lose(bookPath)))
	}()
	var stdout, stderr bytes.Buffer
	args := []string{"flash", "-", "--to", cardPath, "--yes", "--json", "--logbook", bookPath}
	code := run(t.Context(), args, image, &stdout, &stderr)
	if code != 0 || strings.Contains(stderr.String(), "nothing will be recorded") {
		t.Fatalf("exit code %d\n%s", code, &stderr)
	}
	var told report.Document
	if err := json.Unmarshal(stdout.Bytes(), &told); err != nil {
		t.Fatal(err)
	}
	got := told.Cards[0]
	if got.Verdict != logbook.Intact || got.RunID == 0 || got.Error != nil || len(got.Findings) != 1 ||
		got.Findings[0].Code != "not-recorded" || !strings.Contains(got.Findings[0].Evidence, bookPath) {
		t.Errorf("%s, run %d, %+v, %+v", got.Verdict, got.RunID, got.Error, got.Findings)
	}
	if card, err := os.ReadFile(cardPath); err != nil || !bytes.Equal(card[:len(content)], content) {
		t.Errorf("the card does not hold the image (%v)", err)
	}
}

// writeRest writes the image's rest, unless something went wrong before.
func writeRest(w io.Writer, rest []byte, err error) error {
	if err != nil {
		return err
	}
	_, err = w.Write(rest)
	return err
}
