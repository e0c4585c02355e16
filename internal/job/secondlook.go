package job

import (
	"context"
	"io"
	"sync"

	"cardwright/internal/logbook"
	"cardwright/partition"
	"cardwright/verify"
)

// A secondLook reads the image once more for a card whose damage the proof alone cannot explain, for one card at a time.
type secondLook struct {
	open func(context.Context) (io.ReadCloser, error) // nil where the image can be read only once
	mu   sync.Mutex                                   // one decoder at a time, for the sake of memory
}

// explain shows the prover the image again where that may tell more. That it cannot be read again is told, and changes
// nothing about the damage.
func (s *secondLook) explain(ctx context.Context, run *logbook.Run, prover *verify.Prover) {
	if !prover.Unexplained() || s.open == nil {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	err := s.look(ctx, prover)
	if err != nil {
		find(run, partition.Finding{
			Code: "origin-unknown", Severity: partition.Information,
			Sentence: "The image could not be read a second time, to see where the wrong content comes from.", Evidence: err.Error(),
		})
		return
	}
	run.Proof = prover.Proof(run.Proof.FromMedium)
}

func (s *secondLook) look(ctx context.Context, prover *verify.Prover) error {
	image, err := s.open(ctx)
	if err != nil {
		return err
	}
	defer image.Close() // it was only read
	return prover.LookAgain(ctx, image)
}
