package tally

// This file is inside the package: it gives commands less time than the operator's have, and asks what is kept of their output.

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// complaints collects what is told of a command.
type complaints struct {
	mu   sync.Mutex
	told []string
}

func (c *complaints) add(text string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.told = append(c.told, text)
}

// The commands get the documents on standard input, one at a time and in order, and the environment as it is.
func TestErrandsComeOneAtATimeAndInOrder(t *testing.T) {
	out := filepath.Join(t.TempDir(), "out")
	t.Setenv("TALLY_OUT", out)
	var c complaints
	// mkdir fails where another command is under way.
	e := newErrand(`mkdir "$TALLY_OUT.busy" && cat >> "$TALLY_OUT" && rmdir "$TALLY_OUT.busy"`, time.Minute, c.add)
	var want strings.Builder
	for i := range 20 {
		line := fmt.Sprintf("{\"event\":\"%d $(touch %s.run)\"}\n", i, out)
		want.WriteString(line)
		e.tell([]byte(line))
	}
	want.WriteString("the last\n")
	if lost := e.close([]byte("the last\n")); lost != 0 || len(c.told) > 0 {
		t.Errorf("%d were lost; %q", lost, c.told)
	}
	if got, err := os.ReadFile(out); err != nil || string(got) != want.String() {
		t.Errorf("%v, the commands read\n%s", err, got)
	}
	if _, err := os.Stat(out + ".run"); err == nil {
		t.Error("an event's text was run")
	}
}

// A cause of failure is told once, with what the command said of it.
func TestFailingErrandIsToldOncePerCause(t *testing.T) {
	var c complaints
	e := newErrand(`read -r code; echo "no bell to ring ($code)" >&2; echo more; exit "$code"`, time.Minute, c.add)
	for _, code := range []string{"3\n", "3\n", "0\n", "4\n", "3\n"} {
		e.tell([]byte(code))
	}
	e.close(nil)
	want := []string{
		"the command of --on-event: it failed, exit status 3: no bell to ring (3)",
		"the command of --on-event: it failed, exit status 4: no bell to ring (4)",
	}
	if fmt.Sprint(c.told) != fmt.Sprint(want) {
		t.Errorf("told %q", c.told)
	}
}

// A command that hangs is killed with all that it started.
func TestHangingErrandIsKilledWithItsChildren(t *testing.T) {
	pipe := filepath.Join(t.TempDir(), "held")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	t.Setenv("TALLY_PIPE", pipe)
	var c complaints
	e := newErrand(`exec 9>"$TALLY_PIPE"; sleep 1000 & sleep 1000`, 100*time.Millisecond, c.add)
	e.tell([]byte("{}\n"))
	held, err := os.Open(pipe) // returns once the command has opened it
	if err != nil {
		t.Fatal(err)
	}
	defer held.Close()
	if err := held.SetReadDeadline(time.Now().Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	if n, err := held.Read(make([]byte, 1)); n != 0 || os.IsTimeout(err) {
		t.Errorf("a child still holds the pipe: %d, %v", n, err)
	}
	e.close(nil)
	if len(c.told) != 1 || !strings.Contains(c.told[0], "cut off after 100ms") {
		t.Errorf("told %q", c.told)
	}
}

// A command that goes on in the background holds nothing up.
func TestErrandThatLeavesAChildIsNoFailure(t *testing.T) {
	var c complaints
	e := newErrand(`(trap '' PIPE; exec sleep 5) & exit 0`, time.Minute, c.add)
	e.tell([]byte("{}\n"))
	e.tell([]byte("{}\n"))
	begun := time.Now()
	e.close(nil)
	if took := time.Since(begun); took > 5*time.Second-errandRest {
		t.Errorf("two of them took %v", took)
	}
	if len(c.told) > 0 {
		t.Errorf("told %q", c.told)
	}
}

// A flood of output and an unread document end with the time limit, and little of the output is kept.
func TestFloodingErrandIsBounded(t *testing.T) {
	var c complaints
	e := newErrand(`yes "`+strings.Repeat("x", 1000)+`"`, 100*time.Millisecond, c.add)
	e.tell([]byte(strings.Repeat("y", 1<<20)))
	e.close(nil)
	if len(c.told) != 1 || len(c.told[0]) > 2*errandSaid || !strings.Contains(c.told[0], "cut off") {
		t.Errorf("told %q", c.told)
	}
}

// Events beyond what may wait are counted, and the end does not wait for ever.
func TestErrandsThatDoNotFitAreCounted(t *testing.T) {
	var c complaints
	e := newErrand("exec sleep 1000", time.Second, c.add)
	for range 3 * errandRoom {
		e.tell([]byte("{}\n"))
	}
	begun := time.Now()
	lost := e.close(nil)
	if took := time.Since(begun); took > 30*time.Second {
		t.Errorf("the end took %v", took)
	}
	// Two commands may have had their time before the end came, and one is under way when it does.
	if lost < 3*errandRoom-4 || lost > 3*errandRoom-1 {
		t.Errorf("%d were lost of %d", lost, 3*errandRoom)
	}
}

// A command that is not there is a failure as any other.
func TestMissingErrandIsTold(t *testing.T) {
	var c complaints
	e := newErrand("/nowhere/command", time.Minute, c.add)
	e.tell([]byte("{}\n"))
	e.close(nil)
	if len(c.told) != 1 || !strings.Contains(c.told[0], "exit status 127") { // POSIX.1-2024, sh: command not found
		t.Errorf("told %q", c.told)
	}
}

// A command inherits none of the program's open files: a card's device would stay open in it.
func TestErrandHoldsNoFileOfTheProgram(t *testing.T) {
	folder := t.TempDir()
	card, err := os.Create(filepath.Join(folder, "card.img"))
	if err != nil {
		t.Fatal(err)
	}
	defer card.Close()
	t.Setenv("TALLY_OUT", filepath.Join(folder, "out"))
	var c complaints
	e := newErrand(`ls -l /proc/self/fd > "$TALLY_OUT"`, time.Minute, c.add)
	e.tell([]byte("{}\n"))
	e.close(nil)
	held, err := os.ReadFile(filepath.Join(folder, "out"))
	if err != nil || !strings.Contains(string(held), "pipe:") || strings.Contains(string(held), "card.img") {
		t.Errorf("%v, it holds\n%s", err, held)
	}
}
