//go:build device

package device_test

import (
	"errors"
	"testing"

	"cardwright/internal/cardlab"
)

// TestLiveNeighbourInPassageIsHeldAgainstNobody has cards come and go in one reader while another reader's card is judged.
func TestLiveNeighbourInPassageIsHeldAgainstNobody(t *testing.T) {
	reader, bay := place(t)
	neighbour, _ := place(t)
	seen := seatNew(t, reader, bay, liveBytes)
	done, ended := make(chan struct{}), make(chan error, 1)
	go func() { // ends with the looks; awaited below
		var err error
		for err == nil {
			select {
			case <-done:
				ended <- nil
				return
			default:
			}
			card, _ := cardlab.New(cardlab.Traits{SizeBytes: liveBytes}) // it was made like that above
			err = errors.Join(neighbour.Seat(t.Context(), card), neighbour.Pull(), neighbour.Empty(t.Context()))
		}
		ended <- err
	}()
	for range 25 {
		c, err := bay.Open(t.Context(), seen, fixed)
		if err != nil {
			t.Errorf("refused for a card that comes or goes in another reader: %v", err)
			break
		}
		if err := errors.Join(c.Recheck(), c.Close()); err != nil {
			t.Error(err)
			break
		}
	}
	close(done)
	if err := <-ended; err != nil {
		t.Error(err)
	}
}
