//go:build device

package e2e_test

import (
	"context"
	"testing"
	"time"

	"cardwright/flash"
	"cardwright/internal/cardlab/blockdev"
)

// departurePatience is how soon the kernel must be rid of a card that was taken out: until then it keeps the reader's place.
const departurePatience = 5 * time.Second

// A bay is a reader for the test's time, as a hand works it.
type bay struct {
	*blockdev.Reader
	name string
}

// bayNamed makes an empty reader.
func bayNamed(t *testing.T, name string) *bay {
	t.Helper()
	reader, err := blockdev.NewReader(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := reader.Close(); err != nil {
			t.Errorf("take the reader %s away: %v", name, err)
		}
	})
	return &bay{Reader: reader, name: name}
}

// seat puts a card in. The one before may still be held open for a moment.
func (y *bay) seat(t *testing.T, card *seated) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), departurePatience)
	defer cancel()
	card.path = y.Path()
	if err := y.Seat(ctx, card.Card); err != nil {
		t.Fatalf("%s: seat a card: %v", y.name, err)
	}
}

// pull takes the card out and waits for nothing.
func (y *bay) pull(t *testing.T) {
	t.Helper()
	if err := y.Pull(); err != nil {
		t.Fatalf("%s: pull a card: %v", y.name, err)
	}
}

// empties waits until the program has let go of the card that was pulled, and tells how long that took.
func (y *bay) empties(t *testing.T) time.Duration {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), departurePatience)
	defer cancel()
	began := time.Now()
	if err := y.Empty(ctx); err != nil {
		t.Fatalf("%s: the card that was pulled is still held: %v", y.name, err)
	}
	return time.Since(began)
}

// put writes to a card that is in no reader, as another machine would have done before.
func (s *seated) put(t *testing.T, offsetBytes int64, content []byte) {
	t.Helper()
	s.Plug()
	for at := 0; at < len(content); at += blockBytes {
		part := content[at:min(at+blockBytes, len(content))]
		buffer := flash.AlignedBuffer(len(part))
		copy(buffer, part)
		if _, err := s.WriteAt(buffer, offsetBytes+int64(at)); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Flush(); err != nil {
		t.Fatal(err)
	}
}
