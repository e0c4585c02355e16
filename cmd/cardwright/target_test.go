package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cardwright/internal/report"
)

// A card that the image is read from must not be written, also where it came by way of standard input.
func TestTargetThatIsStandardInputIsRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "card.img")
	content := bytes.Repeat([]byte{filler}, 8<<20)
	if err := os.WriteFile(path, content, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{
		{"flash", "-", "--raw", "--to", path, "--yes"}, {"check", path, "--raw", "--image", "-"},
	} {
		stdin, err := os.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		var stdout, stderr bytes.Buffer
		args = append(args, "--logbook", filepath.Join(t.TempDir(), "logbook.db"))
		if code := run(t.Context(), args, stdin, &stdout, &stderr); code != 3 || !strings.Contains(stderr.String(), "it holds the image") {
			t.Errorf("%q: exit code %d, %s", args, code, &stderr)
		}
		if err := stdin.Close(); err != nil {
			t.Error(err)
		}
	}
	if held, err := os.ReadFile(path); err != nil || !bytes.Equal(held, content) {
		t.Errorf("it was written to: %v", err)
	}
}

// An interrupt while the first of several targets is opened is told of all of them.
func TestInterruptWhileTargetsAreOpened(t *testing.T) {
	folder := t.TempDir()
	ctx, cancel := context.WithCancelCause(t.Context())
	cancel(interruption{})
	var stdout, stderr bytes.Buffer
	args := []string{"flash", filepath.Join(folder, "board.img"), "--yes", "--json", "--logbook", filepath.Join(folder, "logbook.db")}
	for _, name := range []string{"one", "two", "three"} {
		path := filepath.Join(folder, name)
		if err := os.WriteFile(path, make([]byte, 1<<20), 0o600); err != nil {
			t.Fatal(err)
		}
		args = append(args, "--to", path)
	}
	if code := run(ctx, args, nil, &stdout, &stderr); code != 130 {
		t.Errorf("exit code %d\n%s", code, &stderr)
	}
	var told report.Document
	if err := json.Unmarshal(stdout.Bytes(), &told); err != nil || len(told.Cards) != 3 {
		t.Errorf("%d cards are told: %v", len(told.Cards), err)
	}
}
