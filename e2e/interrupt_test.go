//go:build device

package e2e_test

import (
	"io"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"cardwright/internal/cardlab"
)

// TestInterruptLeavesNoHead presses ^C in the middle of the body.
func TestInterruptLeavesNoHead(t *testing.T) {
	card, book := seatSlow(t, 40), filepath.Join(t.TempDir(), "logbook.db")
	r := stopInTheBody(t, card, book, syscall.SIGINT)
	r.expectCode(t, 130)
	told := onlyCard(t, decode[flashDocument](t, r.stdout))
	if told.Verdict != "unfinished" || told.Error == nil {
		t.Errorf("the card is told as %+v, %+v", told, told.Error)
	}
	if len(card.Truth().Written()) < 2 || r.took > 30*time.Second {
		t.Errorf("the run took %v and wrote %v", r.took, card.Truth().Written())
	}
	card.expectNoHead(t)
	expectUnfinished(t, book, card)
}

// TestKillLeavesNoHead gives the program no chance to tidy up.
func TestKillLeavesNoHead(t *testing.T) {
	card, book := seatSlow(t, 41), filepath.Join(t.TempDir(), "logbook.db")
	r := stopInTheBody(t, card, book, syscall.SIGKILL)
	if !r.endedBySignal {
		t.Errorf("the program ended by itself: %+v", r)
	}
	card.expectNoHead(t)
	expectUnfinished(t, book, card)
}

// TestInterruptDoesNotWaitForALockedLogbook presses ^C while another program holds the logbook's lock for good. The report
// comes all the same, and says that the run is not recorded to its end. The general tool for such files holds the lock.
func TestInterruptDoesNotWaitForALockedLogbook(t *testing.T) {
	card, book := seatSlow(t, 42), filepath.Join(t.TempDir(), "logbook.db")
	reached := card.reaches(blockOf(8))
	p := start(t, command{args: flashTo(gptImage().path(t), []*seated{card}), logbook: book})
	select {
	case <-reached:
	case <-time.After(longestRun):
		t.Fatal("the body was never written")
	}
	holdLock(t, book)
	pressed := time.Now()
	if err := p.cmd.Process.Signal(syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
	r := p.wait()
	r.expectCode(t, 130)
	if took := time.Since(pressed); took > 2*time.Second {
		t.Errorf("the program ended %v after the interrupt", took)
	}
	told := onlyCard(t, decode[flashDocument](t, r.stdout))
	if told.Verdict != "unfinished" || len(told.Findings) != 1 || told.Findings[0].Code != "not-recorded" {
		t.Errorf("%s, %+v", told.Verdict, told.Findings)
	}
	card.expectNoHead(t)
}

// holdLock has a program hold a database's lock for writing until the test is over.
func holdLock(t *testing.T, path string) {
	t.Helper()
	tool := exec.Command("sqlite3", path)
	commands, err := tool.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	var told watched
	tool.Stdout, tool.Stderr = &told, &told
	if err := tool.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = commands.Close()
		if err := tool.Wait(); err != nil {
			t.Errorf("sqlite3: %v\n%s", err, told.text())
		}
	})
	if _, err := io.WriteString(commands, ".timeout 20000\nBEGIN IMMEDIATE;\nSELECT 'held';\n"); err != nil {
		t.Fatal(err)
	}
	told.awaitText(t, "held", time.Minute)
}

func seatSlow(t *testing.T, seed uint64) *seated {
	t.Helper()
	return seat(t, cardlab.Traits{SizeBytes: 192 * mib, Seed: seed, WriteBytesPerSecond: 20_000_000})
}

// stopInTheBody sends a signal when the card has got a part of the image.
func stopInTheBody(t *testing.T, card *seated, book string, signal syscall.Signal) result {
	t.Helper()
	reached := card.reaches(blockOf(8))
	p := start(t, command{args: flashTo(gptImage().path(t), []*seated{card}), logbook: book})
	select {
	case <-reached:
	case <-p.waited:
		t.Fatalf("the program ended too early:\n%s%s", p.stdout.text(), p.stderr.text())
	case <-time.After(longestRun):
		t.Fatal("the body was never written")
	}
	if err := p.cmd.Process.Signal(signal); err != nil {
		t.Fatal(err)
	}
	return p.wait()
}

// expectUnfinished asks the logbook, with a process of its own.
func expectUnfinished(t *testing.T, book string, card *seated) {
	t.Helper()
	r := runCommand(t, 0, command{args: []string{"logbook", "list", "--json"}, logbook: book})
	list := decode[logbookDocument](t, r.stdout)
	if len(list.Runs) != 1 || list.Runs[0].Verdict != "unfinished" || list.Runs[0].Device != card.path {
		t.Errorf("the logbook says %+v", list.Runs)
	}
}
