package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"cardwright/flash/source"
	"cardwright/internal/report"
)

// Only what can be read twice is opened twice: a second opening of a pipe would wait for ever.
func TestOnlyWhatLiesOnADiskIsReadAgain(t *testing.T) {
	folder := t.TempDir()
	file, pipe := filepath.Join(folder, "board.img"), filepath.Join(folder, "pipe")
	if err := os.WriteFile(file, []byte("board"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]bool{file: true, pipe: false, "-": false, "http://board.example/board.img": true, folder: false} {
		if got := again(name, source.Options{}) != nil; got != want {
			t.Errorf("%s is read again: %v", name, got)
		}
	}
	p := &program{}
	if kept := p.imageKept(pipe); len(kept) > 0 {
		t.Errorf("a pipe lies on no card, and %+v is looked for there", kept)
	}
	if kept := p.imageKept(file); len(kept) != 1 {
		t.Errorf("an image that is a file must not lie on the card: %+v", kept)
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
