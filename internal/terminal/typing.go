package terminal

import (
	"bufio"
	"os"
	"sync"
	"time"
	"unicode"
)

// A Typing reads the lines that the operator types while a program works. Where they are typed unseen, the terminal echoes nothing,
// and Typed gives what is there of a line so far, for it to be drawn. Without a terminal it reads nothing.
type Typing struct {
	tty     Terminal // nil for none
	entered func(line string)
	changed chan struct{} // holds one when there is more or less typed
	restore func()        // puts the terminal back as it was

	mu   sync.Mutex // guards line
	line []rune
}

// LongestLine is how many letters of a line are kept, the first ones.
const LongestLine = 64

// StartTyping opens the operator's terminal, unless the program runs in its background: reading there would stop it in the middle of
// its work. Where there is none, or it does not open, there is nothing to read, which is no error. Each line that ends is given to
// entered, by the goroutine that calls Read. End must be called.
func StartTyping(open func() (Terminal, error), unseen bool, entered func(line string)) *Typing {
	t := &Typing{entered: entered, changed: make(chan struct{}, 1), restore: func() {}}
	tty, err := open()
	if err != nil {
		return t
	}
	file, isFile := tty.(*os.File)
	if isFile && inBackground(file) {
		_ = tty.Close()
		return t
	}
	t.tty = tty
	if isFile {
		t.restore = KeepRunning()
	}
	if isFile && unseen {
		restoreMode, restoreSignals := letterByLetter(file), t.restore
		t.restore = func() {
			restoreMode()
			restoreSignals()
		}
	}
	return t
}

// Read takes letters in until it is stopped: stop is closed first, then Interrupt called. It is run by a goroutine of its own.
func (t *Typing) Read(stop <-chan struct{}) {
	if t.tty == nil {
		return
	}
	input := bufio.NewReader(t.tty)
	escaped := false
	for {
		letter, _, err := input.ReadRune()
		switch {
		case err != nil && t.pausedBy(stop):
			return
		case err != nil:
			input.Reset(t.tty)
		case escaped: // the rest of what an arrow key sends
			escaped = !unicode.IsLetter(letter) && letter != '~'
		case letter == '\x1b':
			escaped = true
		default:
			t.take(letter)
		}
	}
}

// pausedBy waits a while before the terminal is asked again, which was refused in the background; it tells whether that was the end.
func (t *Typing) pausedBy(stop <-chan struct{}) bool {
	again := time.NewTimer(time.Second)
	defer again.Stop()
	select {
	case <-stop:
		return true
	case <-again.C:
		return false
	}
}

// take adds a letter, or does what it stands for.
func (t *Typing) take(letter rune) {
	t.mu.Lock()
	line, ended := "", false
	switch {
	case letter == '\n' || letter == '\r':
		line, ended, t.line = string(t.line), true, nil
	case letter == '\b' || letter == '\x7f':
		t.line = t.line[:max(len(t.line)-1, 0)]
	case letter == '\x15': // Ctrl-U
		t.line = nil
	case unicode.IsPrint(letter) && len(t.line) < LongestLine:
		t.line = append(t.line, letter)
	}
	t.mu.Unlock()
	select {
	case t.changed <- struct{}{}:
	default:
	}
	if ended {
		t.entered(line)
	}
}

// Changed holds a value where more or less is typed than when one was last taken out.
func (t *Typing) Changed() <-chan struct{} { return t.changed }

// Typed is what was typed of a line so far. It may be called from any goroutine.
func (t *Typing) Typed() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return string(t.line)
}

// Interrupt ends a Read that waits, from another goroutine.
func (t *Typing) Interrupt() {
	if t.tty != nil {
		_ = t.tty.SetReadDeadline(time.Now())
	}
}

// End puts the terminal back as it was and closes it, once Read has returned. An error would say that this failed, which nobody could
// be told on it.
func (t *Typing) End() {
	if t.tty == nil {
		return
	}
	t.restore()
	_ = t.tty.Close()
}
