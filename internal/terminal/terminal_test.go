package terminal_test

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"

	"golang.org/x/sys/unix"

	"cardwright/internal/terminal"
)

// newTerminal gives a terminal of the kernel's own that is no program's: the two ends of a pair, as pty(7) has it.
func newTerminal(t *testing.T) (hands, tty *os.File) {
	t.Helper()
	hands, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = hands.Close() })
	if err := unix.IoctlSetPointerInt(int(hands.Fd()), unix.TIOCSPTLCK, 0); err != nil {
		t.Fatal(err)
	}
	number, err := unix.IoctlGetInt(int(hands.Fd()), unix.TIOCGPTN)
	if err != nil {
		t.Fatal(err)
	}
	tty, err = os.OpenFile(fmt.Sprintf("/dev/pts/%d", number), os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = tty.Close() })
	return hands, tty
}

// A terminal tells the size that the kernel has of it, anew each time, and the usual one where the kernel has none.
func TestSizeIsThatOfTheTerminal(t *testing.T) {
	hands, tty := newTerminal(t)
	if !terminal.Is(tty) {
		t.Fatal("a terminal is taken for none")
	}
	size := terminal.SizeOf(tty)
	if size == nil {
		t.Fatal("a terminal is not asked for its size")
	}
	for _, c := range []struct{ columns, lines, wantColumns, wantLines int }{{0, 0, 80, 24}, {132, 43, 132, 43}, {40, 0, 80, 24}, {20, 5, 20, 5}} {
		window := &unix.Winsize{Col: uint16(c.columns), Row: uint16(c.lines)}
		if err := unix.IoctlSetWinsize(int(hands.Fd()), unix.TIOCSWINSZ, window); err != nil {
			t.Fatal(err)
		}
		if columns, lines := size(); columns != c.wantColumns || lines != c.wantLines {
			t.Errorf("of %d x %d it tells %d x %d", c.columns, c.lines, columns, lines)
		}
	}
}

// What is no terminal is none, and is not asked for its size.
func TestFilesAndPipesAreNoTerminals(t *testing.T) {
	file, err := os.Create(filepath.Join(t.TempDir(), "out"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	reads, writes, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer reads.Close()
	defer writes.Close()
	if terminal.Is(file) || terminal.Is(writes) || terminal.Is(&strings.Builder{}) {
		t.Error("something is taken for a terminal")
	}
	if terminal.SizeOf(file) != nil || terminal.SizeOf(writes) != nil || terminal.SizeOf(&strings.Builder{}) != nil {
		t.Error("what is no terminal is asked for its size")
	}
}

// What is typed of a line is told before it ends, and whole when it does.
func TestTypedIsToldBeforeTheLineEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) { // which fails when the reader is left behind
		hands, tty := net.Pipe()
		defer hands.Close()
		var lines []string
		typing := terminal.StartTyping(func() (terminal.Terminal, error) { return tty, nil }, false,
			func(line string) { lines = append(lines, line) })
		defer typing.End()
		stop := make(chan struct{})
		go typing.Read(stop) // ends with what is deferred here
		defer func() {
			close(stop)
			typing.Interrupt()
		}()
		for _, c := range []struct {
			typed, soFar string
			changes      int // of a channel with room for one
		}{
			{"le", "le", 1}, {"ff\x7f", "lef", 1}, {"\x1b[A", "lef", 0}, {"t", "left", 1}, {"\n", "", 1}, {"xy\x15", "", 1}, {"\r", "", 1},
		} {
			if _, err := hands.Write([]byte(c.typed)); err != nil {
				t.Fatal(err)
			}
			synctest.Wait()
			if len(typing.Changed()) != c.changes || typing.Typed() != c.soFar {
				t.Errorf("after %q: %d changes, %q is there", c.typed, len(typing.Changed()), typing.Typed())
			}
			for range len(typing.Changed()) {
				<-typing.Changed()
			}
		}
		if want := []string{"left", ""}; !slices.Equal(lines, want) {
			t.Errorf("entered %q, want %q", lines, want)
		}
	})
}
