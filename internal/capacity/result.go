package capacity

import "cardwright/flash"

// A Verdict says whether a card is as large as it says.
type Verdict string

// The verdicts. A check that was not finished has none.
const (
	True       Verdict = "true"       // nothing speaks against its size
	Short      Verdict = "short"      // it ends, wraps round or forgets from its true size on
	Unreliable Verdict = "unreliable" // it does not keep what was written, in a way that no smaller size explains
)

// A Mode is how much of a card was looked at.
type Mode string

// The modes.
const (
	ModeQuick Mode = "quick"
	ModeFull  Mode = "full"
)

// A Kind says what was read at a bad place in place of what was written.
type Kind string

// The kinds of bad ranges.
const (
	Wrapped    Kind = "wrapped"    // a stamp of another place, at a distance that is a multiple of one and the same size
	Swapped    Kind = "swapped"    // a stamp of another place, whose address differs in single bits: crossed address lines
	Dropped    Kind = "dropped"    // zeros, ones, or what was there before: the write was forgotten
	Stale      Kind = "stale"      // a stamp of an earlier run or pass
	Changed    Kind = "changed"    // anything else: flipped bits, noise
	Unreadable Kind = "unreadable" // the read failed
	Unwritable Kind = "unwritable" // the write failed
)

// A Range is a part of a card that did not keep what was written.
type Range struct {
	OffsetBytes int64 `json:"offset_bytes"`
	LengthBytes int64 `json:"length_bytes"`
	Kind        Kind  `json:"kind"`
	FromBytes   int64 `json:"from_bytes"` // of wrapped and swapped: whose stamp was read at its first sector; else -1
}

// A Result is what a check found.
type Result struct {
	ClaimedBytes int64   `json:"claimed_bytes"`
	TrueBytes    *int64  `json:"true_bytes"` // null where it was not found: unreliable, or not finished
	Verdict      Verdict `json:"verdict"`    // empty where the check was not finished
	Mode         Mode    `json:"mode"`
	BadRanges    []Range `json:"bad_ranges"` // never null; at most MostRanges, see RangesLeftOut
	// ChanceToMiss is that of a card of which MissingFraction is missing, at places that have nothing to do with those looked at:
	// (1 - MissingFraction) to the power of RandomPlaces. 0 for a full check.
	ChanceToMiss    float64 `json:"chance_to_miss"`
	MissingFraction float64 `json:"missing_fraction"` // 0.01
	RandomPlaces    int     `json:"random_places"`
	RangesLeftOut   int     `json:"ranges_left_out"`
	// Restored tells whether what the card held is back on it, as far as it has room; null where it was not kept.
	Restored *bool `json:"restored"`
	// Rescue is the file with what the card held, where that could not be put back whole; empty where there is none.
	Rescue string `json:"rescue"`
	// Seed is what places, and stamps of a full check, were made of.
	Seed string `json:"seed"`
	// Write and Read are the rates over the whole surface; null for a quick check. Their cliffs are as in a flash.
	Write *flash.Figures `json:"write"`
	Read  *flash.Figures `json:"read"`
	// WriteTrace and ReadTrace are one rate per part of the surface, in order.
	WriteTrace []Part `json:"write_trace"`
	ReadTrace  []Part `json:"read_trace"`
	// ResumedAtBytes is where an interrupted full check went on, of the writing and the reading together: twice the card's size in
	// all. 0 where it began anew.
	ResumedAtBytes int64   `json:"resumed_at_bytes"`
	Seconds        float64 `json:"seconds"`
}

// A Part is one of at most 100 equal parts of a card's surface, and how fast it went.
type Part struct {
	OffsetBytes    int64   `json:"offset_bytes"`
	BytesPerSecond float64 `json:"bytes_per_s"`
}

// MostRanges is how many bad ranges a result lists.
const MostRanges = 100

// MissingFraction is the part of a card that ChanceToMiss speaks of.
const MissingFraction = 0.01
