//go:build device

package e2e_test

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"cardwright/internal/cardlab"
)

// silentFrom is the block whose write hangs: both ends of the card are cleared before, and the head is not written.
const silentFrom = (40*mib - 2*clearBytes + blockBytes) / blockBytes * blockBytes

// silentCard stops answering for good after 40 MiB were written to it. The kernel keeps a process until its last call returned, so the test
// releases the card in the end, as a reader does that gives up.
func silentCard(t *testing.T, seed uint64) *seated {
	t.Helper()
	return seat(t, cardlab.Traits{SizeBytes: 192 * mib, Seed: seed, SilentAfter: cardlab.After{WrittenBytes: 40 * mib}})
}

// TestStallLimitReportsASilentCard gives up on a lone card, says where it stood, and says what keeps the program from ending.
func TestStallLimitReportsASilentCard(t *testing.T) {
	const limit = 3 * time.Second
	silent := silentCard(t, 80)
	p := start(t, command{args: append(flashTo(gptImage().path(t), []*seated{silent}), "--stall-limit", limit.String())})
	t.Cleanup(silent.Release) // or else a test that fails would wait for ever
	p.stdout.awaitText(t, "\n}\n", time.Minute)
	p.stderr.awaitText(t, "has not returned; the kernel may keep this program from ending", time.Minute)
	told := onlyCard(t, decode[flashDocument](t, p.stdout.text()))
	silent.Release()
	r := p.wait()
	r.expectCode(t, 5)
	if r.took < limit {
		t.Errorf("given up after %v, which is too early", r.took)
	}
	if told.Verdict != "unfinished" || told.Error.Step != "body" || told.Error.Offset != silentFrom ||
		!strings.Contains(told.Error.Cause, "a write of 4194304 bytes") {
		t.Errorf("the silent card is told as %s, %+v", told.Verdict, told.Error)
	}
	silent.expectNoHead(t)
}

// TestListOfASilentDiskEnds reads the list as another program would, to its end, while the kernel keeps the one that printed it.
func TestListOfASilentDiskEnds(t *testing.T) {
	silent := seat(t, cardlab.Traits{SizeBytes: 64 * mib, SilentAfter: cardlab.After{ReadBytes: 1}})
	list, output, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	p := newProcess(t, command{args: []string{"cards"}})
	p.cmd.Stdout, p.cmd.Stderr = output, &p.stderr
	p.launch()
	t.Cleanup(silent.Release)
	if err := errors.Join(output.Close(), list.SetReadDeadline(time.Now().Add(time.Minute))); err != nil {
		t.Fatal(err)
	}
	if text, err := io.ReadAll(list); err != nil || !strings.Contains(string(text), silent.path) {
		t.Errorf("%q, %v", text, err)
	}
	p.stderr.awaitText(t, silent.path+": a look at it has not returned; the kernel may keep this program from ending", time.Minute)
	select {
	case <-p.waited:
		t.Error("the program ended, which this test is not about")
	default:
	}
	silent.Release()
	p.wait().expectCode(t, 0)
}

// TestInterruptWhileACallIsStuck presses ^C when a write has been stuck in the kernel for a while.
func TestInterruptWhileACallIsStuck(t *testing.T) {
	silent, book := silentCard(t, 81), filepath.Join(t.TempDir(), "logbook.db")
	reached := silent.reaches(silentFrom)
	p := start(t, command{args: flashTo(gptImage().path(t), []*seated{silent}), logbook: book})
	t.Cleanup(silent.Release)
	select {
	case <-reached:
	case <-time.After(longestRun):
		t.Fatal("the body was never written")
	}
	pressed := time.Now() // the write that reached this far never returns
	if err := p.cmd.Process.Signal(syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
	p.stdout.awaitText(t, "\n}\n", time.Minute)
	if took := time.Since(pressed); took > 2*time.Second {
		t.Errorf("the report came %v after the interrupt", took)
	}
	p.stderr.awaitText(t, "has not returned; the kernel may keep this program from ending", time.Minute)
	list := decode[logbookDocument](t, runCommand(t, 0, command{args: []string{"logbook", "list", "--json"}, logbook: book}).stdout)
	if len(list.Runs) != 1 || list.Runs[0].Verdict != "unfinished" || list.Runs[0].Error == nil || list.Runs[0].Error.Class != "interrupted" {
		t.Errorf("while the call is still stuck, the logbook says %+v", list.Runs)
	}
	silent.Release()
	r := p.wait()
	r.expectCode(t, 130)
	told := onlyCard(t, decode[flashDocument](t, r.stdout))
	if told.Verdict != "unfinished" || told.Error == nil || !strings.Contains(told.Error.Cause, "has not returned yet") {
		t.Errorf("the silent card is told as %s, %+v", told.Verdict, told.Error)
	}
	silent.expectNoHead(t)
}
