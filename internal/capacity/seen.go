package capacity

import "bytes"

// A stamping is one write of stamps that the card took.
type stamping struct {
	span
	pass uint32
}

// A sight is what was read, or not, of one unit.
type sight struct {
	offsetBytes int64
	kind        Kind   // empty: nothing wrong
	from        int64  // whose stamp of this run it holds whole; -1: nobody's
	pass        uint32 // of that stamp
	stamped     bool   // it was, before it was read
	settled     bool   // and so much was written after it that the card's memory does not answer for it
	nearly      bool   // it is the right stamp but for a few bits, or parts of several: no end of a card explains that
	after       int    // how many stampings came before it was read
}

// A record is what a quick check wrote and saw, in order, and what that can mean.
type record struct {
	stamper   Stamper
	unitBytes int64
	stampings []stamping
	sights    []sight
}

// failed notes a unit that could not be read or written.
func (r *record) failed(offsetBytes int64, kind Kind) {
	r.sights = append(r.sights, sight{offsetBytes: offsetBytes, kind: kind, from: -1, settled: true, after: len(r.stampings)})
}

// note recognises what a unit holds. before gives what it held before the check, where that is known.
func (r *record) note(unit []byte, offsetBytes int64, settled bool, before func(offsetBytes int64, lengthBytes int) []byte) {
	s := sight{offsetBytes: offsetBytes, from: -1, settled: settled, after: len(r.stampings)}
	var pass uint32
	pass, s.stamped = r.lastAt(offsetBytes)
	reading := r.read(unit)
	if reading.Ours {
		s.from, s.pass = reading.OffsetBytes, reading.Pass
	}
	switch {
	case reading.Ours && s.from != offsetBytes:
		s.kind = Wrapped
	case reading.Ours && s.stamped && s.pass == pass, !s.stamped && !reading.Ours:
	case reading.Sound:
		s.kind = Stale
	default:
		s.kind, s.nearly = r.spoilt(unit, offsetBytes, pass, before)
	}
	r.sights = append(r.sights, s)
}

// read recognises a unit, which is one or several stamps side by side.
func (r *record) read(unit []byte) Reading {
	first := r.stamper.Read(unit)
	for at := StampBytes; at < len(unit); at += StampBytes {
		want := first
		want.OffsetBytes += int64(at)
		if !first.Sound || r.stamper.Read(unit[at:]) != want {
			return Reading{}
		}
	}
	return first
}

// spoilt tells what became of a stamp that is none any more.
func (r *record) spoilt(unit []byte, offsetBytes int64, pass uint32, before func(int64, int) []byte) (Kind, bool) {
	if isUniform(unit) && (unit[0] == 0 || unit[0] == 0xff) || bytes.Equal(unit, before(offsetBytes, len(unit))) {
		return Dropped, false
	}
	want := make([]byte, len(unit))
	r.stamper.Fill(want, offsetBytes, pass)
	return Changed, differingBits(unit, want) < len(unit)/StampBytes*foreignBits
}

// lastAt gives the pass of the last stamping of a place.
func (r *record) lastAt(offsetBytes int64) (pass uint32, stamped bool) {
	for i := len(r.stampings) - 1; i >= 0; i-- {
		if r.stampings[i].holds(offsetBytes) {
			return r.stampings[i].pass, true
		}
	}
	return 0, false
}

// sound tells whether nothing was wrong anywhere.
func (r *record) sound() bool {
	for _, s := range r.sights {
		if s.kind != "" {
			return false
		}
	}
	return true
}

// distance is the largest that all distances between places and the stamps found there are multiples of; 0 where there are none.
func (r *record) distance() int64 {
	var common int64
	for _, s := range r.sights {
		if s.kind == Wrapped {
			common = divisor(common, max(s.offsetBytes-s.from, s.from-s.offsetBytes))
		}
	}
	return common
}

// wrapsAt tells whether a card that wraps round at trueBytes, and does nothing else, explains all that was seen: what each unit
// shows is known then from the order of writing.
func (r *record) wrapsAt(trueBytes int64) bool {
	for _, s := range r.sights {
		from, pass := r.lastRound(s, trueBytes)
		switch {
		case s.stamped && !s.settled && s.kind == "": // the card's memory may have answered
		case s.kind == Unreadable || s.kind == Unwritable || s.from != from || from >= 0 && s.pass != pass:
			return false
		case from < 0 && s.kind != "": // reads that differ
			return false
		}
	}
	return true
}

// lastRound gives the stamp that lies at a sight's unit of a card that wraps round at trueBytes; -1 where none does.
func (r *record) lastRound(s sight, trueBytes int64) (from int64, pass uint32) {
	for i := s.after - 1; i >= 0; i-- {
		at := r.stampings[i]
		first := at.offsetBytes + ((s.offsetBytes-at.offsetBytes)%trueBytes+trueBytes)%trueBytes
		if first < at.end() {
			return first + (at.end()-1-first)/trueBytes*trueBytes, at.pass
		}
	}
	return -1, 0
}

// endsAt tells whether a card that holds trueBytes, and keeps nothing beyond them, explains all that was seen.
func (r *record) endsAt(trueBytes int64) bool {
	for _, s := range r.sights {
		switch {
		case s.offsetBytes < trueBytes && s.kind != "":
			return false
		case s.kind == Wrapped || s.nearly:
			return false
		case s.offsetBytes >= trueBytes && s.stamped && s.settled && s.kind == "":
			return false
		}
	}
	return true
}

// bounds gives the last unit that surely kept its stamp below the first that did not, one unit before the card where there is none,
// and that first. They do not bound an end where a unit further up kept its stamp.
func (r *record) bounds() (good, bad int64, sure bool) {
	good, bad, sure = -r.unitBytes, -1, true
	for _, s := range r.sights {
		if s.kind != "" && (bad < 0 || s.offsetBytes < bad) {
			bad = s.offsetBytes
		}
	}
	for _, s := range r.sights {
		if s.kind != "" || !s.stamped || !s.settled {
			continue
		}
		if s.offsetBytes > bad {
			sure = false
		} else {
			good = max(good, s.offsetBytes)
		}
	}
	return good, bad, sure
}
