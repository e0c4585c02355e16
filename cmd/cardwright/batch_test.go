package main

import (
	"context"
	"errors"
	"io"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"cardwright/internal/batch"
	"cardwright/internal/logbook"
	"cardwright/internal/tally"
	"cardwright/internal/terminal"
)

// A brokenPipe takes nothing: its reader has gone.
type brokenPipe struct{}

var errBrokenPipe = errors.New("broken pipe")

func (brokenPipe) Write([]byte) (int, error) { return 0, errBrokenPipe }

// programOnABrokenPipe has nobody to read its results.
func programOnABrokenPipe(json bool) *program {
	return &program{
		stdout: brokenPipe{}, stderr: io.Discard, json: json, lineEvery: time.Second,
		terminal: func() (terminal.Terminal, error) { return nil, errNoTerminal },
	}
}

// A batch whose events could not be told ends its command as failed, unless it ends with what is worse; and no other document comes
// behind those that were told.
func TestMissingEventsFailTheCommand(t *testing.T) {
	for code, want := range map[exitCode]exitCode{
		done: programFailed, belowFloor: programFailed, damaged: programFailed, programFailed: programFailed, interrupted: interrupted,
	} {
		p := programOnABrokenPipe(true)
		face := p.newTally(tally.Options{})
		face.Tell(batch.Event{Kind: batch.KindEnding, At: time.Now()})
		if got := codeOfError(p.finishTally(face, code)); got != want || !p.documented {
			t.Errorf("a batch that ends with %d ended the command with %d, want %d; documented: %v", code, got, want, p.documented)
		}
	}
}

// Totals that cannot be printed fail the command, and are told.
func TestUnprintedTotalsFailTheCommand(t *testing.T) {
	p := programOnABrokenPipe(false)
	face := p.newTally(tally.Options{})
	face.Tell(batch.Event{Kind: batch.KindEnded, At: time.Now(), Totals: &batch.Totals{}})
	err := p.finishTally(face, done)
	if !errors.Is(err, errBrokenPipe) || codeOfError(err) != programFailed || p.documented {
		t.Errorf("it ended with %v; documented: %v", err, p.documented)
	}
}

// A batch whose record cannot be read any more gives the reason back, so that it is told, and begins nothing.
func TestBatchThatCannotBeginSaysWhy(t *testing.T) {
	book, err := logbook.Open(t.Context(), filepath.Join(t.TempDir(), "logbook.db"))
	if err != nil {
		t.Fatal(err)
	}
	record, err := book.OpenBatch(t.Context(), logbook.BatchOptions{Name: "attic", ImageSHA256: strings.Repeat("0", 64)})
	if err != nil {
		t.Fatal(err)
	}
	canceled, cancel := context.WithCancel(t.Context())
	cancel()
	for _, c := range []struct {
		ctx  context.Context
		code exitCode
	}{{canceled, interrupted}, {t.Context(), programFailed}} {
		if c.ctx.Err() == nil {
			if err := errors.Join(record.Close(), book.Close()); err != nil {
				t.Fatal(err)
			}
		}
		var told strings.Builder
		p := programOnABrokenPipe(false)
		p.stderr = &told
		err := (&batching{program: p}).work(c.ctx, batch.Options{Record: record, Book: book})
		if code := codeOfError(err); err == nil || code != c.code {
			t.Errorf("it ended with %v, code %d, want %d", err, code, c.code)
		}
		if p.tell(err, c.code); told.Len() == 0 {
			t.Errorf("nobody is told %v", err)
		}
	}
}
