package flash

import (
	"fmt"
	"math"
	"slices"
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
	// madToSigma makes the median absolute deviation an estimate of a normal distribution's standard deviation:
	// 1 / 0.6745 (Rousseeuw and Croux, "Alternatives to the Median Absolute Deviation", 1993, from memory).
	madToSigma = 1.4826
)

// A Judge holds what a card's write rate is judged by. Its zero value knows nothing to judge by.
type Judge struct {
	FloorBytesPerSecond float64    // what the operator asks for; 0 for none
	Peers               [][]Sample // one trace per peer
}

// A Judgement is a pace, why it is so, and the peers it was held against.
type Judgement struct {
	Pace              Pace
	Reason            string
	Peers             int     // how many peers
	PeersMedian       float64 // of their rates over the same first bytes, in bytes per second
	PeersSpread       float64 // 1.4826 x the median absolute deviation of those rates
	SourceWasTheLimit bool    // the source, or a slower card beside this one, was the limit
}

// Judge tells the pace of what was written so far: against the floor, then against the peers over the same first bytes.
// A card whose source was the limit stays unjudged, since it rested.
func (j Judge) Judge(t *Trace) Judgement {
	judgement := Judgement{Pace: PaceUnjudged, Peers: len(j.Peers), SourceWasTheLimit: t.SourceWasTheLimit()}
	if len(j.Peers) > 0 {
		judgement.PeersMedian, judgement.PeersSpread = j.peerRates(t.bytes)
	}
	written := t.BytesPerSecond()
	besidePeers := rateOverFirst(t.samples, t.bytes) // without flushes, as the peers' traces are
	enough := len(j.Peers) >= PeersNeeded
	switch {
	case t.bytes == 0:
		judgement.Reason = "nothing was written"
	case judgement.SourceWasTheLimit:
		judgement.Reason = fmt.Sprintf("the card waited %.0f %% of the time for the source or for a slower card",
			100*t.SourceWait().Seconds()/t.TimeToFlash().Seconds())
	case written < j.FloorBytesPerSecond:
		judgement.Pace = PaceBelowFloor
		judgement.Reason = fmt.Sprintf("%s is under the floor of %s", megabytes(written), megabytes(j.FloorBytesPerSecond))
	case enough && belowPeers(besidePeers, judgement.PeersMedian, judgement.PeersSpread):
		judgement.Pace = PaceBelowPeers
		judgement.Reason = megabytes(besidePeers) + " without flushes is well under the peers' rates"
	case enough:
		judgement.Pace = PaceAsPeers
		judgement.Reason = megabytes(besidePeers) + " without flushes is like the peers' rates"
	case j.FloorBytesPerSecond > 0:
		judgement.Pace = PaceAsAsked
		judgement.Reason = fmt.Sprintf("%s holds the floor of %s", megabytes(written), megabytes(j.FloorBytesPerSecond))
	default:
		judgement.Reason = fmt.Sprintf("no floor was given and %d of the %d peers needed are known", len(j.Peers), PeersNeeded)
	}
	return judgement
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
	slices.Sort(rates)
	median = quantile(rates, 0.5)
	for i, r := range rates {
		rates[i] = math.Abs(r - median)
	}
	slices.Sort(rates)
	return median, madToSigma * quantile(rates, 0.5)
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
