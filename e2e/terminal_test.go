//go:build device

package e2e_test

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"cardwright/internal/cardlab"
)

// promptPatience is how long the question may take to appear.
const promptPatience = time.Minute

// TestQuestionOnATerminal answers with a wrong name, with nothing, and with the right one.
func TestQuestionOnATerminal(t *testing.T) {
	image := gptImage()
	card := seat(t, cardlab.Traits{SizeBytes: 192 * mib, Seed: 70})
	name := filepath.Base(card.path)
	args := []string{"flash", image.path(t), "--to", card.path, "--fixed-ok"}
	for _, answer := range []string{"yes", name + "1", ""} {
		p, terminal := startOnTerminal(t, command{args: args})
		p.stdout.awaitText(t, "Type "+name, promptPatience)
		terminal.types(t, answer)
		p.wait().expectCode(t, 3)
		card.expectUntouched(t)
	}
	p, terminal := startOnTerminal(t, command{args: args})
	p.stdout.awaitText(t, "Type "+name, promptPatience)
	if shown := p.stdout.text(); !strings.Contains(shown, image.file) || !strings.Contains(shown, "201.3 MB") {
		t.Errorf("the question does not tell image and card:\n%s", shown)
	}
	card.expectUntouched(t)
	terminal.types(t, name)
	p.wait().expectCode(t, 0)
	card.expectHolds(t, image)
}

// TestInterruptAtTheQuestion presses ^C where the question is asked: the terminal sends the signal itself.
func TestInterruptAtTheQuestion(t *testing.T) {
	card := seat(t, cardlab.Traits{SizeBytes: 192 * mib, Seed: 71})
	p, terminal := startOnTerminal(t, command{args: []string{"flash", gptImage().path(t), "--to", card.path, "--fixed-ok"}})
	p.stdout.awaitText(t, "Type ", promptPatience)
	if _, err := terminal.Write([]byte{3}); err != nil {
		t.Fatal(err)
	}
	p.wait().expectCode(t, 130)
	card.expectUntouched(t)
}

// TestProgressInLines reads what is told where nobody can see a moving bar. Writing and proving take a second and more:
// a step that is over between two looks at the meter is not told.
func TestProgressInLines(t *testing.T) {
	card := seat(t, cardlab.Traits{SizeBytes: 192 * mib, Seed: 72, WriteBytesPerSecond: 40_000_000, ReadBytesPerSecond: 80_000_000})
	r := run(t, 0, flashTo(gptImage().path(t), []*seated{card})...)
	if strings.ContainsAny(r.stderr, "\r\x1b") {
		t.Errorf("control characters went to what is no terminal: %q", r.stderr)
	}
	name := filepath.Base(card.path)
	for _, step := range []string{"writing", "proving"} {
		if !strings.Contains(r.stderr, name+": "+step) {
			t.Errorf("%q is not told:\n%s", step, r.stderr)
		}
	}
}

// A terminal is the operator's end of a pseudo-terminal.
type terminal struct{ *os.File }

// types enters a line.
func (tty terminal) types(t *testing.T, line string) {
	t.Helper()
	if _, err := tty.WriteString(line + "\n"); err != nil {
		t.Fatal(err)
	}
}

// startOnTerminal starts the program on a pseudo-terminal of its own. All that appears there is in the process's stdout.
func startOnTerminal(t *testing.T, c command) (*process, terminal) {
	t.Helper()
	operator, program := openPTY(t)
	p := newProcess(t, c)
	p.cmd.Stdin, p.cmd.Stdout, p.cmd.Stderr = program, program, program
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true, Setctty: true, Ctty: 0}
	p.launch()
	_ = program.Close() // our copy only: the program holds its own
	shown := make(chan struct{})
	go func() { // ends when the program's end closes the terminal; awaited below
		defer close(shown)
		_, _ = io.Copy(&p.stdout, operator) // a terminal that nobody holds any more ends in EIO
	}()
	t.Cleanup(func() {
		_ = p.cmd.Process.Kill() // fails where the process has ended, as it should have
		<-shown
		_ = operator.Close()
	})
	return p, terminal{operator}
}

// openPTY opens both ends of a new pseudo-terminal, as pts(4) tells.
func openPTY(t *testing.T) (operator, program *os.File) {
	t.Helper()
	operator, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := unix.IoctlSetPointerInt(int(operator.Fd()), unix.TIOCSPTLCK, 0); err != nil {
		t.Fatal(err)
	}
	number, err := unix.IoctlGetInt(int(operator.Fd()), unix.TIOCGPTN)
	if err != nil {
		t.Fatal(err)
	}
	program, err = os.OpenFile(fmt.Sprintf("/dev/pts/%d", number), os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	return operator, program
}
