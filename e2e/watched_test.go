//go:build device

package e2e_test

import (
	"bytes"
	"strings"
	"sync"
	"testing"
	"time"
)

// A watched buffer takes a process's output and lets a test wait for what it says.
type watched struct {
	mu      sync.Mutex // guards all below
	buffer  bytes.Buffer
	changed chan struct{} // closed and replaced whenever something is added
}

// Write adds output.
func (w *watched) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.changed != nil {
		close(w.changed)
		w.changed = nil
	}
	return w.buffer.Write(p)
}

func (w *watched) text() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.buffer.String()
}

// next gives the text so far and a channel that is closed when there is more.
func (w *watched) next() (string, <-chan struct{}) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.changed == nil {
		w.changed = make(chan struct{})
	}
	return w.buffer.String(), w.changed
}

// awaitText waits until the output holds a text.
func (w *watched) awaitText(t *testing.T, wanted string, patience time.Duration) {
	t.Helper()
	late := time.After(patience)
	for {
		text, more := w.next()
		if strings.Contains(text, wanted) {
			return
		}
		select {
		case <-more:
		case <-late:
			t.Fatalf("%q was not said within %v, but:\n%s", wanted, patience, text)
		}
	}
}
