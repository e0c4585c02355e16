package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"testing"

	"cardwright/internal/logbook"
	"cardwright/internal/report"
)

// An interrupt ends a flash whose source has stopped: the report comes, the card has no head, the record is closed.
func TestInterruptLeavesNoHeadAndAClosedRecord(t *testing.T) {
	folder := t.TempDir()
	cardPath, bookPath := filepath.Join(folder, "card.img"), filepath.Join(folder, "logbook.db")
	if err := os.WriteFile(cardPath, bytes.Repeat([]byte{filler}, 64<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancelCause(t.Context())
	defer cancel(nil)
	image, feed := io.Pipe()
	defer feed.Close()
	go func() { // ends with its last write, or with the pipe
		written := make([]byte, 32<<20)
		binary.LittleEndian.PutUint16(written[510:], 0xaa55)
		copy(written[446:], []byte{0, 0, 2, 0, 0x83, 0, 3, 0, 8, 0, 0, 0, 8})
		_, _ = feed.Write(written) // returns once all of it was read: the card has taken most of it
		cancel(interruption{})
	}()
	var stdout, stderr bytes.Buffer
	code := run(ctx, []string{"flash", "-", "--to", cardPath, "--yes", "--json", "--logbook", bookPath}, image, &stdout, &stderr)
	if code != 130 {
		t.Fatalf("exit code %d\n%s", code, &stderr)
	}
	var told report.Document
	if err := json.Unmarshal(stdout.Bytes(), &told); err != nil {
		t.Fatal(err)
	}
	if run := told.Cards[0]; run.Verdict != logbook.Unfinished || run.Error == nil || run.Error.Class != logbook.ClassInterrupted {
		t.Errorf("the document tells %+v, %+v", run, run.Error)
	}
	card, err := os.ReadFile(cardPath)
	if err != nil {
		t.Fatal(err)
	}
	if len(bytes.Trim(card[:clearBytes], "\x00")) > 0 {
		t.Error("the card's first 1 MiB is not zero")
	}
	book, err := logbook.OpenReadOnly(t.Context(), bookPath)
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	record, err := book.Show(t.Context(), told.Cards[0].RunID)
	if err != nil {
		t.Fatal(err)
	}
	// A record that was never closed holds no error.
	if record.Error == nil || record.Error.Class != logbook.ClassInterrupted {
		t.Errorf("the record tells %+v", record.Error)
	}
}

// A silentReader gives what it holds, then tells that it is asked for more, and gives nothing until it is released.
type silentReader struct {
	io.Reader
	asked   func()
	release chan struct{}
}

func (s *silentReader) Read(p []byte) (int, error) {
	if n, err := s.Reader.Read(p); err == nil {
		return n, nil
	}
	s.asked()
	<-s.release
	return 0, io.ErrUnexpectedEOF
}

// An interrupt waits for no pipe that gives nothing, be it before the image is known or in the middle of it.
func TestInterruptDoesNotWaitForASilentSource(t *testing.T) {
	image := make([]byte, 2<<20)
	binary.LittleEndian.PutUint16(image[510:], 0xaa55)
	copy(image[446:], []byte{0, 0, 2, 0, 0x83, 0, 3, 0, 8, 0, 0, 0, 8})
	cardPath := filepath.Join(t.TempDir(), "card.img")
	if err := os.WriteFile(cardPath, bytes.Repeat([]byte{filler}, 8<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, given := range map[string]int{"nothing": 0, "a part": len(image)} {
		for command, args := range map[string][]string{
			"flash": {"flash", "-", "--to", cardPath, "--yes", "--json"}, "check": {"check", cardPath, "--image", "-", "--json"},
			"inspect": {"inspect", "-", "--json"},
		} {
			ctx, cancel := context.WithCancelCause(t.Context())
			silent := &silentReader{bytes.NewReader(image[:given]), func() { cancel(interruption{}) }, make(chan struct{})}
			var stdout, stderr bytes.Buffer
			args = append(args, "--logbook", filepath.Join(t.TempDir(), "logbook.db"))
			if code := run(ctx, args, silent, &stdout, &stderr); code != 130 {
				t.Errorf("%s of %s: exit code %d\n%s", command, name, code, &stderr)
			}
			close(silent.release)
			cancel(nil)
			if !bytes.Contains(stdout.Bytes(), []byte("interrupted by the operator")) {
				t.Errorf("%s of %s: the document does not say why:\n%s", command, name, &stdout)
			}
		}
	}
	card, err := os.ReadFile(cardPath)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(card, bytes.Repeat([]byte{filler}, 8<<20)) {
		t.Error("the card was written to although the image's first block never came")
	}
}
