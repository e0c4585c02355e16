package terminal

import (
	"bufio"
	"os"
	"os/signal"
	"sync"
	"syscall"
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
	k := &Typing{entered: entered, changed: make(chan struct{}, 1), restore: func() {}}
	tty, err := open()
	if err != nil {
		return k
	}
	file, isFile := tty.(*os.File)
	if isFile && inBackground(file) {
		_ = tty.Close()
		return k
	}
	k.tty = tty
	if isFile {
		// Sent to the background later, the program is refused the terminal instead of being stopped.
		signal.Ignore(syscall.SIGTTIN, syscall.SIGTTOU)
		k.restore = func() { signal.Reset(syscall.SIGTTIN, syscall.SIGTTOU) }
	}
	if isFile && unseen {
		echoing := letterByLetter(file)
		k.restore = func() {
			echoing()
			signal.Reset(syscall.SIGTTIN, syscall.SIGTTOU)
		}
	}
	return k
}

// Read takes letters in until it is stopped: stop is closed first, then Interrupt called. It is run by a goroutine of its own.
func (k *Typing) Read(stop <-chan struct{}) {
	if k.tty == nil {
		return
	}
	input := bufio.NewReader(k.tty)
	escaped := false
	for {
		letter, _, err := input.ReadRune()
		switch {
		case err != nil && k.pausedBy(stop):
			return
		case err != nil:
			input.Reset(k.tty)
		case escaped: // the rest of what an arrow key sends
			escaped = !unicode.IsLetter(letter) && letter != '~'
		case letter == '\x1b':
			escaped = true
		default:
			k.take(letter)
		}
	}
}

// pausedBy waits a while before the terminal is asked again, which was refused in the background; it tells whether that was the end.
func (k *Typing) pausedBy(stop <-chan struct{}) bool {
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
func (k *Typing) take(letter rune) {
	k.mu.Lock()
	line, ended := "", false
	switch {
	case letter == '\n' || letter == '\r':
		line, ended, k.line = string(k.line), true, nil
	case letter == '\b' || letter == '\x7f':
		k.line = k.line[:max(len(k.line)-1, 0)]
	case letter == '\x15': // Ctrl-U
		k.line = nil
	case unicode.IsPrint(letter) && len(k.line) < LongestLine:
		k.line = append(k.line, letter)
	}
	k.mu.Unlock()
	select {
	case k.changed <- struct{}{}:
	default:
	}
	if ended {
		k.entered(line)
	}
}

// Changed holds a value where more or less is typed than when one was last taken out.
func (k *Typing) Changed() <-chan struct{} { return k.changed }

// Typed is what was typed of a line so far. It may be called from any goroutine.
func (k *Typing) Typed() string {
	k.mu.Lock()
	defer k.mu.Unlock()
	return string(k.line)
}

// Interrupt ends a Read that waits, from another goroutine.
func (k *Typing) Interrupt() {
	if k.tty != nil {
		_ = k.tty.SetReadDeadline(time.Now())
	}
}

// End puts the terminal back as it was and closes it, once Read has returned. An error would say that this failed, which nobody could
// be told on it.
func (k *Typing) End() {
	if k.tty == nil {
		return
	}
	k.restore()
	_ = k.tty.Close()
}
