package flash

import "time"

// A Sample is one block's write: which bytes, when it began (since the first byte written to the card), and how long the
// card was busy with it.
type Sample struct {
	OffsetBytes int64
	LengthBytes int
	Start       time.Duration
	Busy        time.Duration
}

// Figures are what one run's writing measured. Rates are in bytes per second; a window figure is null where the run was
// too short to hold one window.
type Figures struct {
	Bytes                      int64    `json:"bytes"`
	SkippedBytes               int64    `json:"skipped_bytes"` // of the image, left out as free; 0 until all the rest is written
	BusySeconds                float64  `json:"busy_s"`
	SustainedBytesPerSecond    float64  `json:"sustained_bytes_per_s"`
	WindowLowBytesPerSecond    *float64 `json:"window_low_bytes_per_s"`
	WindowP5BytesPerSecond     *float64 `json:"window_p5_bytes_per_s"`
	WindowMedianBytesPerSecond *float64 `json:"window_median_bytes_per_s"`
	Direct                     bool     `json:"direct"`
	Stalls                     []Stall  `json:"stalls"`
	Cliff                      *Cliff   `json:"cliff"`
}

// A Stall is a call that took at least twice the run's median call and over 500 ms more than it.
type Stall struct {
	OffsetBytes int64   `json:"offset_bytes"`
	Seconds     float64 `json:"seconds"`
}

// A Cliff is where a run's write rate fell for good: the rates before and after the image offset at which it fell.
type Cliff struct {
	OffsetBytes          int64   `json:"offset_bytes"`
	BeforeBytesPerSecond float64 `json:"before_bytes_per_s"`
	AfterBytesPerSecond  float64 `json:"after_bytes_per_s"`
}

// A Pace tells how a card's write rate compares with what it was held against.
type Pace string

// The paces, as records and reports show them.
const (
	PaceBelowFloor Pace = "below floor"
	PaceBelowClaim Pace = "below claim"
	PaceBelowPeers Pace = "below peers"
	PaceAsClaimed  Pace = "as claimed"
	PaceAsPeers    Pace = "as peers"
	PaceAsAsked    Pace = "as asked"
	PaceUnjudged   Pace = "unjudged"
)

// IsSlow tells whether a card is below anything that it was held against.
func (p Pace) IsSlow() bool {
	return p == PaceBelowFloor || p == PaceBelowClaim || p == PaceBelowPeers
}
