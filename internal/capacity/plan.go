package capacity

import (
	"crypto/sha256"
	"errors"
	"math/rand/v2"
	"slices"

	"cardwright/flash"
)

const (
	// pushBytes is how much is written elsewhere before a stamp is read back: a false card's own memory, of some megabytes, then no
	// longer answers for it. On cards of less than four times that the zone is a quarter of the card, and no more can be pushed.
	pushBytes = 16 << 20
	// mostZoneBytes and looksPerCard keep both the zone and the number of looks within bounds on large cards.
	mostZoneBytes, looksPerCard = 64 << 20, 4096
	// randomPlaces is how many places a card's size has no say in. A card of which 1 % is missing escapes them once in 170 times.
	randomPlaces = 512
	// pieceBytes is the most that one call reads or writes.
	pieceBytes = 1 << 20
)

// errTiny says that there is nothing to check.
var errTiny = &flash.Error{Step: flash.StepOpen, Err: errors.New("the card holds not even one sector")}

// A quickPlan is where a quick check stamps and looks. Size and seed alone decide it.
//
//	0           zone                                                   end
//	| zone ......| place   look   place  place ....  look .... last place |
//
// The zone is stamped whole and after all places. On a card that wraps round at T it shows up again T further up, and every stretch
// of the zone's length holds a look, so that one of these meets it; where T lies less than that below the end, the last place does.
// What is read there says whose stamp it is, and so tells T to the sector.
//
// The zone begins with the first sector also for the sake of what the card holds: without a table no system finds file systems on a
// card that is full of stamps, after a crash, and none changes what a rescue will put back.
type quickPlan struct {
	unitBytes int64 // a sector, or a stamp where the sector is less
	endBytes  int64 // the card's size in whole units
	zoneBytes int64
	places    []int64 // in order; none lies in the zone, the last is the card's last unit
	looks     []int64 // in order; these are only read
	random    int     // how many of the places are random
}

// newQuickPlan makes the plan of a card.
func newQuickPlan(sizeBytes int64, sectorBytes int, seed string) (quickPlan, error) {
	p := quickPlan{unitBytes: int64(max(StampBytes, sectorBytes))}
	p.endBytes = p.whole(sizeBytes)
	if p.endBytes <= 0 {
		return p, errTiny
	}
	zoneBytes := min(max(pushBytes, p.endBytes/looksPerCard), mostZoneBytes, p.endBytes/4)
	p.zoneBytes = max(p.unitBytes, p.whole(zoneBytes))
	chosen := map[int64]bool{}
	p.addRandom(chosen, seed)
	p.random = len(chosen)
	for _, at := range p.telling() {
		if at = p.whole(at); at >= p.zoneBytes && at < p.endBytes {
			chosen[at] = true
		}
	}
	for at := range chosen {
		p.places = append(p.places, at)
	}
	slices.Sort(p.places)
	for at := p.zoneBytes; at < p.endBytes; at += p.zoneBytes {
		if !chosen[at] {
			p.looks = append(p.looks, at)
		}
	}
	return p, nil
}

// addRandom chooses places without regard to anything, each at most once. What lies in the zone is looked at whole anyway.
func (p quickPlan) addRandom(chosen map[int64]bool, seed string) {
	random := rand.New(rand.NewChaCha8(sha256.Sum256([]byte("places " + seed))))
	units := (p.endBytes - p.zoneBytes) / p.unitBytes
	for count := int(min(randomPlaces, units/2)); len(chosen) < count; {
		chosen[p.zoneBytes+random.Int64N(units)*p.unitBytes] = true
	}
}

// telling are the places where sizes end that somebody would choose: powers of two, seen from both ends, and simple fractions; and the
// last unit.
func (p quickPlan) telling() []int64 {
	all := []int64{p.endBytes - p.unitBytes}
	for distance := p.unitBytes; distance < p.endBytes; distance *= 2 {
		all = append(all, distance-p.unitBytes, distance, p.endBytes-distance)
	}
	for _, parts := range []int64{3, 5, 7, 8} {
		for i := range parts - 1 {
			all = append(all, p.endBytes/parts*(i+1))
		}
	}
	return all
}

// whole rounds down to whole units.
func (p quickPlan) whole(bytes int64) int64 { return bytes / p.unitBytes * p.unitBytes }

// pieces cuts the zone.
func (p quickPlan) pieces() []span {
	var all []span
	for at := int64(0); at < p.zoneBytes; at += pieceBytes {
		all = append(all, span{at, min(pieceBytes, p.zoneBytes-at)})
	}
	return all
}

// A span is a part of a card.
type span struct{ offsetBytes, lengthBytes int64 }

func (s span) end() int64 { return s.offsetBytes + s.lengthBytes }

func (s span) holds(offsetBytes int64) bool {
	return offsetBytes >= s.offsetBytes && offsetBytes < s.end()
}

// without cuts units, which are in order, out of a span.
func (s span) without(units []int64, unitBytes int64) []span {
	var left []span
	for _, at := range units {
		if !s.holds(at) {
			continue
		}
		if at > s.offsetBytes {
			left = append(left, span{s.offsetBytes, at - s.offsetBytes})
		}
		s = span{at + unitBytes, s.end() - at - unitBytes}
	}
	if s.lengthBytes > 0 {
		left = append(left, s)
	}
	return left
}
