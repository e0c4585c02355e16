package flash

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

const (
	// JudgedFromBytes is how much must be written before a pace is told while writing goes on.
	JudgedFromBytes = 64 << 20
	// PeersNeeded is how many peers it takes to judge by them.
	PeersNeeded = 5

	// A card is below its peers when its rate is under peerRatio of their median and under the median less peerSpreads
	// times their spread, or under half the median.
	peerRatio   = 0.7
	peerSpreads = 3
	peerHalf    = 0.5
	// busShare is how much of a bus's ceiling a card must reach for the bus to count as what may have held it back. Commands,
	// answers and turn-arounds lie between the blocks and keep any reader well under the nominal ceiling, so a rate right at it
	// is never seen; plain USB readers pass about half of high-speed USB's (common practice).
	busShare = 0.5
	// madToSigma makes the median absolute deviation an estimate of a normal distribution's standard deviation:
	// 1 / 0.6745 (Rousseeuw and Croux, "Alternatives to the Median Absolute Deviation", 1993, from memory).
	madToSigma = 1.4826
)

// A Judge holds what a card's write rate is judged by. Its zero value knows nothing to judge by.
type Judge struct {
	FloorBytesPerSecond float64 // what the operator asks for; 0 for none
	Claim               Claim
	Bus                 Bus
	Peers               [][]Sample // one trace per peer
}

// A Claim is the least sequential write rate that a card promises. The zero value promises nothing.
type Claim struct {
	BytesPerSecond float64
	Marks          string // those that promise it: "U3, V30"
}

// A Bus is what a card is reached over. The zero value is one of which nothing is known.
type Bus struct {
	BytesPerSecond float64 // the most that can pass over it
	Name           string
}

// A Judgement is a pace, why it is so, and what it was held against.
type Judgement struct {
	Pace              Pace
	Reason            string
	Claim             Claim
	Peers             int     // how many peers
	PeersMedian       float64 // of their rates over the same first bytes, in bytes per second
	PeersSpread       float64 // 1.4826 x the median absolute deviation of those rates
	SourceWasTheLimit bool    // the source, or a slower card beside this one, was the limit
	BusWasTheLimit    bool    // the card came so near to the bus's ceiling that it might be faster on another
}

// Judge tells the pace of what was written so far: against the floor, the claim, and the peers over the same first bytes. A card
// whose source was the limit stays unjudged, since it rested. One whose bus was the limit is below nothing, since it might be
// faster on another; what it held all the same, it held.
func (j Judge) Judge(t *Trace) Judgement {
	written := t.BytesPerSecond()
	judgement := Judgement{
		Pace: PaceUnjudged, Claim: j.Claim, Peers: len(j.Peers), SourceWasTheLimit: t.SourceWasTheLimit(),
		BusWasTheLimit: j.Bus.BytesPerSecond > 0 && written >= busShare*j.Bus.BytesPerSecond,
	}
	if len(j.Peers) > 0 {
		judgement.PeersMedian, judgement.PeersSpread = j.peerRates(t.bytes)
	}
	switch {
	case t.bytes == 0:
		judgement.Reason = "nothing was written"
	case judgement.SourceWasTheLimit:
		judgement.Reason = fmt.Sprintf("the card waited %.0f %% of the time for something to write",
			100*t.SourceWait().Seconds()/t.TimeToFlash().Seconds())
	case judgement.BusWasTheLimit:
		judgement.Pace, judgement.Reason = j.onLimitedBus(written)
	default:
		besidePeers := rateOverFirst(t.samples, t.bytes) // without flushes, as the peers' traces are
		judgement.Pace, judgement.Reason = j.compare(t.bytes, written, besidePeers, judgement)
	}
	return judgement
}

// compare holds a rate that is the card's own against all that is known. The flushes of a short run weigh more than in a recording,
// which is what a claim is about: one that is missed by them alone stays open.
func (j Judge) compare(bytes int64, written, besidePeers float64, peers Judgement) (pace Pace, reason string) {
	enough := len(j.Peers) >= PeersNeeded
	missed := written < j.Claim.BytesPerSecond
	open := missed && bytes < JudgedFromBytes && besidePeers >= j.Claim.BytesPerSecond
	switch {
	case written < j.FloorBytesPerSecond:
		return PaceBelowFloor, fmt.Sprintf("%s is under the floor of %s", megabytes(written), megabytes(j.FloorBytesPerSecond))
	case missed && !open:
		return PaceBelowClaim, fmt.Sprintf("%s is under the %s", megabytes(written), j.Claim)
	case enough && belowPeers(besidePeers, peers.PeersMedian, peers.PeersSpread):
		return PaceBelowPeers, megabytes(besidePeers) + " without flushes is well under the peers' rates"
	case j.Claim.BytesPerSecond > 0 && !open:
		return PaceAsClaimed, j.Claim.held(written)
	case enough:
		return PaceAsPeers, megabytes(besidePeers) + " without flushes is like the peers' rates"
	case j.FloorBytesPerSecond > 0:
		return PaceAsAsked, j.floorHeld(written)
	case open:
		return PaceUnjudged, fmt.Sprintf("%s is under the %s with its flushes, and not without: too little was written to tell",
			megabytes(written), j.Claim)
	}
	return PaceUnjudged, fmt.Sprintf("no floor was given, no claim is known, and %d of the %d peers needed are known",
		len(j.Peers), PeersNeeded)
}

// onLimitedBus tells what may be said of a card that wrote about as fast as its bus allows: what it held it has held, what it
// missed it might hold elsewhere, and peers on the same bus would compare the bus with itself. A floor that was missed is the
// operator's own question and stays open, whatever else was held.
func (j Judge) onLimitedBus(written float64) (pace Pace, reason string) {
	limit := fmt.Sprintf("the bus (%s, %s at the most) may have been the limit", j.Bus.Name, megabytes(j.Bus.BytesPerSecond))
	heldClaim := j.Claim.BytesPerSecond > 0 && written >= j.Claim.BytesPerSecond
	switch {
	case written < j.FloorBytesPerSecond:
		return PaceUnjudged, fmt.Sprintf("%s is under the floor of %s, but %s",
			megabytes(written), megabytes(j.FloorBytesPerSecond), limit)
	case heldClaim:
		return PaceAsClaimed, j.Claim.held(written)
	case j.FloorBytesPerSecond > 0 && j.Claim.BytesPerSecond > 0:
		return PaceAsAsked, fmt.Sprintf("%s; it is under the %s, but %s", j.floorHeld(written), j.Claim, limit)
	case j.FloorBytesPerSecond > 0:
		return PaceAsAsked, j.floorHeld(written)
	case j.Claim.BytesPerSecond > 0:
		return PaceUnjudged, fmt.Sprintf("%s is under the %s, but %s", megabytes(written), j.Claim, limit)
	}
	return PaceUnjudged, limit
}

func (j Judge) floorHeld(written float64) string {
	return fmt.Sprintf("%s holds the floor of %s", megabytes(written), megabytes(j.FloorBytesPerSecond))
}

// String gives the promise and the marks behind it: "30 MB/s that U3, V30 promise".
func (c Claim) String() string {
	verb := "promises"
	if strings.Contains(c.Marks, ",") {
		verb = "promise"
	}
	return fmt.Sprintf("%s MB/s that %s %s", strconv.FormatFloat(c.BytesPerSecond/1e6, 'f', -1, 64), c.Marks, verb)
}

func (c Claim) held(written float64) string {
	return fmt.Sprintf("%s holds the %s", megabytes(written), c)
}

func belowPeers(written, median, spread float64) bool {
	return written < peerHalf*median || (written < peerRatio*median && written < median-peerSpreads*spread)
}

// peerRates gives the median and the spread of the peers' rates over their first bytes.
func (j Judge) peerRates(firstBytes int64) (median, spread float64) {
	rates := make([]float64, len(j.Peers))
	for i, peer := range j.Peers {
		rates[i] = rateOverFirst(peer, firstBytes)
	}
	return MedianAndSpread(rates)
}

// MedianAndSpread gives the median of at least one value, and 1.4826 x the median absolute deviation from it, which estimates a
// normal distribution's standard deviation. The values stay as they are.
func MedianAndSpread(values []float64) (median, spread float64) {
	sorted := slices.Sorted(slices.Values(values))
	median = quantile(sorted, 0.5)
	for i, value := range sorted {
		sorted[i] = math.Abs(value - median)
	}
	slices.Sort(sorted)
	return median, madToSigma * quantile(sorted, 0.5)
}

// rateOverFirst is a trace's rate over its first bytes, or over all of it where it is shorter.
func rateOverFirst(samples []Sample, firstBytes int64) float64 {
	var bytes int64
	var busy time.Duration
	for _, s := range samples {
		if bytes >= firstBytes {
			break
		}
		bytes += int64(s.LengthBytes)
		busy += s.Busy
	}
	return rate(bytes, busy)
}

func megabytes(bytesPerSecond float64) string { return fmt.Sprintf("%.2f MB/s", bytesPerSecond/1e6) }
