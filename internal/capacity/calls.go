package capacity

import (
	"errors"

	"cardwright/flash"
)

// failure is an error of the card at a step.
func failure(step flash.Step, s span, err error) error {
	return &flash.Error{Step: step, OffsetBytes: s.offsetBytes, LengthBytes: s.lengthBytes, Err: err}
}

// isOver tells whether an error says that the card answers no more.
func isOver(err error) bool { return errors.Is(err, flash.ErrGone) || errors.Is(err, flash.ErrStalled) }

// isLost tells whether a call failed because the card, and not just a place on it, answers no more or takes no writes. A full check
// asks that of its first write alone: a card that turns read-only later has bad places.
func isLost(err error) bool {
	return errors.Is(err, flash.ErrGone) || errors.Is(err, flash.ErrReadOnly)
}

// dropCache makes reads come from the medium. Where that cannot be, a card that is read directly gives what it holds all the same,
// and of a regular file nothing else is wanted.
func dropCache(card flash.Card) error {
	err := card.DropCache()
	if err == nil || !isOver(err) && (card.Direct() || card.SectorBytes() == 1) {
		return nil
	}
	return err
}
