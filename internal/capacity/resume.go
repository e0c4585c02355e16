package capacity

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
)

// stateVersion is that of a state file. One of another version is not read.
const stateVersion = 1

// mostStateBytes bounds what is read of a state file. The largest has two passes of mostSamples at some 40 bytes each.
const mostStateBytes = 1 << 20

// mostUnwritable is how many ranges are kept in which writing failed. They are left out of the reading.
const mostUnwritable = 1000

// errState says that a file is no state of a full check.
var errState = errors.New("no state of a full check")

// A phase is a pass over the surface.
type phase string

const (
	writing phase = "write"
	reading phase = "read"
)

// A state is all that a full check knows and what it takes to go on with it. Everything before OffsetBytes is done in this phase.
// Nobody else reads its file, so that fields go by the names they have here.
type state struct {
	Seed        string
	Pass        uint32 // random: it tells two checks with one seed apart
	Card        Mark
	SizeBytes   int64 // the part of the card that whole stamps fill
	SectorBytes int
	Phase       phase
	OffsetBytes int64
	Unwritable  []Range // at most mostUnwritable, ascending
	Found       outcome
	Write       rates
	Read        rates
	Seconds     float64 // so long it took until now
}

// A sealedState is a state with the digest of its own bytes, so that a changed byte is noticed.
type sealedState struct {
	Version int
	SHA256  string
	Body    json.RawMessage
}

// seal makes the content of a state file.
func (s *state) seal() ([]byte, error) {
	body, err := json.Marshal(s)
	if err != nil {
		return nil, err
	}
	digest := sha256.Sum256(body)
	return json.Marshal(sealedState{stateVersion, hex.EncodeToString(digest[:]), body})
}

// unsealState reads the content of a state file. The error is errState.
func unsealState(content []byte) (*state, error) {
	var sealed sealedState
	if err := json.Unmarshal(content, &sealed); err != nil {
		return nil, fmt.Errorf("%w: %w", errState, err)
	}
	digest := sha256.Sum256(sealed.Body)
	if sealed.Version != stateVersion || sealed.SHA256 != hex.EncodeToString(digest[:]) {
		return nil, fmt.Errorf("%w: of another version, or not as it was written", errState)
	}
	return parseState(sealed.Body)
}

// parseState reads a state and makes sure that nothing in it leads off the card. The error is errState.
func parseState(body []byte) (*state, error) {
	s := &state{}
	decoder := json.NewDecoder(bytes.NewReader(body))
	decoder.DisallowUnknownFields()
	if err := decoder.Decode(s); err != nil {
		return nil, fmt.Errorf("%w: %w", errState, err)
	}
	unit := int64(s.SectorBytes)
	sound := s.SizeBytes > 0 && unit >= StampBytes && unit <= mostSectorBytes && unit%StampBytes == 0 && s.SizeBytes%unit == 0 &&
		(s.Phase == writing || s.Phase == reading) && s.OffsetBytes >= 0 && s.OffsetBytes <= s.SizeBytes && s.OffsetBytes%unit == 0 &&
		len(s.Unwritable) <= mostUnwritable && inOrder(s.Unwritable, s.SizeBytes) && s.Found.isSound(s.SizeBytes) && s.Seconds >= 0 &&
		s.Write.sound(s.SizeBytes) && s.Read.sound(s.SizeBytes) && s.onSectors()
	if !sound {
		return nil, fmt.Errorf("%w: it is of no card", errState)
	}
	return s, nil
}

// onSectors tells whether the ranges that steer the reading are whole sectors.
func (s *state) onSectors() bool {
	unit := int64(s.SectorBytes)
	return !slices.ContainsFunc(s.Unwritable, func(r Range) bool { return r.OffsetBytes%unit != 0 || r.LengthBytes%unit != 0 })
}

// isOf tells whether the state is of a card of that mark: of the same size and, where both know it, the same identification
// register, else the same node.
func (s *state) isOf(card Mark) bool {
	if s.Card.SizeBytes != card.SizeBytes {
		return false
	}
	if s.Card.CID != "" && card.CID != "" {
		return s.Card.CID == card.CID
	}
	return s.Card.Node == card.Node
}

// unwritable notes a range in which writing failed. What is too many to keep is told by Wavered: it is compared like all else.
func (s *state) unwritable(fromBytes, toBytes int64) {
	if last := len(s.Unwritable) - 1; last >= 0 {
		if r := &s.Unwritable[last]; r.OffsetBytes+r.LengthBytes == fromBytes {
			r.LengthBytes += toBytes - fromBytes
			return
		}
	}
	if len(s.Unwritable) == mostUnwritable {
		s.Found.Wavered = true
		return
	}
	s.Unwritable = append(s.Unwritable, Range{fromBytes, toBytes - fromBytes, Unwritable, -1})
}

// unwritableFrom gives the first range that ends behind a place and in which writing failed; one of no length where there is none.
func (s *state) unwritableFrom(offsetBytes int64) Range {
	at := slices.IndexFunc(s.Unwritable, func(r Range) bool { return r.OffsetBytes+r.LengthBytes > offsetBytes })
	if at < 0 {
		return Range{OffsetBytes: s.SizeBytes}
	}
	return s.Unwritable[at]
}

// A card is asked about a state at sampledPlaces places, and at the last ones that were done.
const sampledPlaces = 64

// bearsOut tells whether the card positively holds the stamps of the state's run: at its first place a stamp of this run and pass,
// which no other card can have, and before where the state goes on nothing that the run did not leave there. A card that forgets may
// hold zeros; a card that somebody used in between holds other things. Errors are of a card that answers no more, or the context's.
func (c *fullCheck) bearsOut(ctx context.Context, left *state) (bool, error) {
	if err := c.dropCache(); err != nil {
		return false, err
	}
	known := recogniser{
		stamps: NewStamper(left.Seed), pass: left.Pass, sizeBytes: left.SizeBytes, sectorBytes: left.SectorBytes,
		orNext: true, // it was interrupted while its size was confirmed
	}
	p := &pass{step: StepCompare, move: c.card.ReadAt}
	positive := false
	for i, at := range left.samples() {
		works, err := c.tryUnlessOver(ctx, p, at, at+int64(left.SectorBytes))
		if err != nil {
			return false, err
		}
		kind := Unreadable
		if works {
			kind, _ = known.sector(c.spare[:left.SectorBytes], at)
		}
		if i == 0 {
			positive = kind == "" || kind == displaced
		}
		if !positive || !left.agrees(at, kind, c.spare[:left.SectorBytes]) {
			return false, nil
		}
	}
	return positive, nil
}

// samples are places before where the state goes on, all of the card once it is written, in which writing did not fail.
func (s *state) samples() (places []int64) {
	unit, end := int64(s.SectorBytes), s.OffsetBytes
	if s.Phase == reading {
		end = s.SizeBytes
	}
	for i := range int64(sampledPlaces) {
		at := end / unit * i / sampledPlaces * unit
		if at+unit <= end && !s.unwritableFrom(at).covers(at) && !slices.Contains(places, at) {
			places = append(places, at)
		}
	}
	if at := s.OffsetBytes - unit; at >= 0 && !s.unwritableFrom(at).covers(at) {
		places = append(places, at)
	}
	return places
}

// agrees tells whether a place may be as it is by what the state's run did. What was compared must be as it was then, as far as the
// ranges are listed.
func (s *state) agrees(offsetBytes int64, kind Kind, content []byte) bool {
	if s.Phase == reading && offsetBytes < s.OffsetBytes {
		if bad := s.Found.holds(offsetBytes); bad || s.Found.LeftOut == 0 {
			return bad == (kind != "")
		}
		return true
	}
	switch kind {
	case "", displaced, Changed, Unreadable:
		return true
	case Dropped:
		return isUniform(content)
	}
	return false
}
