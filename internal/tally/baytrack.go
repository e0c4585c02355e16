package tally

import (
	"time"

	"cardwright/flash"
	"cardwright/internal/batch"
	"cardwright/internal/progress"
)

// tracks follow the cards at work, by bay.
type tracks map[string]*bayTrack

// see takes a new look at all bays, in their order.
func (t tracks) see(now time.Time, looks []batch.Look) []*bayTrack {
	all := make([]*bayTrack, len(looks))
	for i, l := range looks {
		track := t[l.Bay]
		if track == nil {
			track = &bayTrack{told: now}
			t[l.Bay] = track
		}
		if l.Progress == nil || l.Number != track.Number {
			track.Stretch = progress.Stretch{} // of another card
		}
		track.Look = l
		if l.Progress != nil {
			track.See(now, *l.Progress, func() int64 { return 0 }) // a batch's image was read before it
		}
		all[i] = track
	}
	return all
}

// A bayTrack is a bay as it was looked at lately.
type bayTrack struct {
	batch.Look
	progress.Stretch           // of a card at work
	told             time.Time // when a line last told of it
}

// atWork tells whether there is a card at work that can be told of.
func (b *bayTrack) atWork() bool { return b.Phase == batch.PhaseWorking && b.WasSeen() }

// isSlow tells whether the card at work is slow so far.
func (b *bayTrack) isSlow() bool {
	return b.atWork() && b.Latest().Pace.Pace.IsSlow() && b.Step() == flash.StepBody
}
