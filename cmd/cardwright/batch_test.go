package main

import (
	"errors"
	"io"
	"testing"
	"time"

	"cardwright/internal/batch"
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
