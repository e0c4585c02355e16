//go:build device

package e2e_test

import (
	"bytes"
	"slices"
	"sync"
	"testing"

	"cardwright/internal/cardlab"
	"cardwright/internal/cardlab/blockdev"
)

const (
	mib        = 1 << 20
	blockBytes = 4 * mib // the unit of writing, of digests and of damage
	clearBytes = mib     // what is zeroed at each end of a card
)

// A seated card is an emulated card in a reader: a block device, and the log of what was asked of the card behind it.
type seated struct {
	*cardlab.Card
	traits cardlab.Traits
	path   string

	mu       sync.Mutex // guards all below
	log      []cardlab.Op
	watching func(cardlab.Op)
}

// seat puts a card into a reader for the test's time. It always holds old content that must not survive where it may not,
// and must survive where the image does not lie.
func seat(t *testing.T, traits cardlab.Traits) *seated {
	t.Helper()
	traits.OldContent = true
	s := emulated(t, traits)
	node, err := blockdev.Attach(t.Context(), s.Card)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := node.Close(); err != nil {
			t.Errorf("take %s away: %v", node.Path(), err)
		}
	})
	s.path = node.Path()
	return s
}

// emulated makes a card that is in no reader yet.
func emulated(t *testing.T, traits cardlab.Traits) *seated {
	t.Helper()
	card, err := cardlab.New(traits)
	if err != nil {
		t.Fatal(err)
	}
	s := &seated{Card: card, traits: traits}
	card.Inject(s.note)
	return s
}

// note logs an operation and lets it pass.
func (s *seated) note(op cardlab.Op) cardlab.Fault {
	s.mu.Lock()
	defer s.mu.Unlock()
	if op.Kind != cardlab.OpRead {
		s.log = append(s.log, op)
	}
	if s.watching != nil {
		s.watching(op)
	}
	return cardlab.FaultNone
}

// changes are the writes and flushes so far, in their order.
func (s *seated) changes() []cardlab.Op {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.log)
}

// reaches gives a channel that is closed once a write reaches a byte of the card.
func (s *seated) reaches(offsetBytes int64) <-chan struct{} {
	return s.meets(func(op cardlab.Op) bool {
		return op.Kind == cardlab.OpWrite && op.OffsetBytes >= offsetBytes && op.OffsetBytes < s.traits.SizeBytes-clearBytes
	})
}

// meets gives a channel that is closed once an operation is of a certain kind.
func (s *seated) meets(wanted func(cardlab.Op) bool) <-chan struct{} {
	met := make(chan struct{})
	var once sync.Once
	s.mu.Lock()
	defer s.mu.Unlock()
	s.watching = func(op cardlab.Op) {
		if wanted(op) {
			once.Do(func() { close(met) })
		}
	}
	return met
}

// expectUntouched expects that the card was never asked to change.
func (s *seated) expectUntouched(t *testing.T) {
	t.Helper()
	for _, op := range s.changes() {
		if op.Kind == cardlab.OpWrite {
			t.Fatalf("%s was written to: %+v", s.path, op)
		}
	}
}

// expectNoHead expects that nothing is left in the place of boot sector and partition table.
func (s *seated) expectNoHead(t *testing.T) {
	t.Helper()
	if start := s.Truth().Read(0, clearBytes); !bytes.Equal(start, make([]byte, clearBytes)) {
		t.Errorf("%s: the first 1 MiB is not zero", s.path)
	}
}

// expectHolds expects an image at the card's start, zeros in its last 1 MiB, and all else as it was. The digest is the
// published one.
func (s *seated) expectHolds(t *testing.T, image boardImage) {
	t.Helper()
	if got := s.Truth().Digest(0, image.imageBytes).String(); got != image.imageSHA256 {
		t.Errorf("%s: the card holds SHA-256 %s, want %s", s.path, got, image.imageSHA256)
	}
	s.expectOutsideKept(t, image.imageBytes)
}

// expectOutsideKept expects the card to be as it was past the image, but for its last 1 MiB.
func (s *seated) expectOutsideKept(t *testing.T, imageBytes int64) {
	t.Helper()
	fresh, err := cardlab.New(s.traits)
	if err != nil {
		t.Fatal(err)
	}
	tail := s.traits.SizeBytes - clearBytes
	if got, want := s.Truth().Digest(imageBytes, tail-imageBytes), fresh.Truth().Digest(imageBytes, tail-imageBytes); got != want {
		t.Errorf("%s: what lies past the image was changed", s.path)
	}
	if end := s.Truth().Read(tail, clearBytes); !bytes.Equal(end, make([]byte, clearBytes)) {
		t.Errorf("%s: the last 1 MiB is not zero", s.path)
	}
	for _, span := range s.Truth().Asked() {
		if span.OffsetBytes < tail && span.End() > imageBytes {
			t.Errorf("%s: bytes %d to %d were written, and the image ends at %d", s.path, span.OffsetBytes, span.End(), imageBytes)
		}
	}
}
