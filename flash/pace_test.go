package flash_test

import (
	"testing"
	"testing/synctest"
	"time"

	"cardwright/flash"
	"cardwright/internal/cardlab"
)

// peer is a trace of a card that wrote at one rate.
func peer(bytesPerSecond float64) []flash.Sample {
	busy := time.Duration(flash.BlockBytes / bytesPerSecond * 1e9)
	samples := make([]flash.Sample, 32)
	for i := range samples {
		samples[i] = flash.Sample{OffsetBytes: int64(i+1) * flash.BlockBytes, LengthBytes: flash.BlockBytes, Start: time.Duration(i) * busy, Busy: busy}
	}
	return samples
}

func peers(rates ...float64) (traces [][]flash.Sample) {
	for _, r := range rates {
		traces = append(traces, peer(r))
	}
	return traces
}

// Worked by hand from the rule: below where the rate is under 0.7 x the median and under the median - 3 x 1.4826 x MAD,
// or under half the median.
func TestPace(t *testing.T) {
	cases := []struct {
		name  string
		rate  int64
		judge flash.Judge
		want  flash.Pace
	}{
		{"nothing to judge by", 20e6, flash.Judge{}, flash.PaceUnjudged},
		{"four peers are too few", 20e6, flash.Judge{Peers: peers(90e6, 90e6, 90e6, 90e6)}, flash.PaceUnjudged},
		{"over the floor", 20e6, flash.Judge{FloorBytesPerSecond: 19e6}, flash.PaceAsAsked},
		{"under the floor", 20e6, flash.Judge{FloorBytesPerSecond: 21e6}, flash.PaceBelowFloor},
		{"the floor comes before the peers", 20e6, flash.Judge{FloorBytesPerSecond: 21e6, Peers: peers(20e6, 20e6, 20e6, 20e6, 20e6)}, flash.PaceBelowFloor},
		// median 20, deviations 0 1 1 2 2: MAD 1, spread 1.48; 20 is the median.
		{"as its peers", 20e6, flash.Judge{Peers: peers(18e6, 19e6, 20e6, 21e6, 22e6)}, flash.PaceAsPeers},
		{"as its peers, and over the floor", 20e6, flash.Judge{FloorBytesPerSecond: 10e6, Peers: peers(18e6, 19e6, 20e6, 21e6, 22e6)}, flash.PaceAsPeers},
		// median 30, MAD 1: 20 < 21 and 20 < 30 - 4.4.
		{"under both bounds", 20e6, flash.Judge{Peers: peers(28e6, 29e6, 30e6, 31e6, 32e6)}, flash.PaceBelowPeers},
		// median 28, 20 > 19.6.
		{"over 0.7 of the median", 20e6, flash.Judge{Peers: peers(26e6, 27e6, 28e6, 29e6, 30e6)}, flash.PaceAsPeers},
		// median 30, MAD 8: 20 < 21, but 20 > 30 - 35.6.
		{"within a wide spread", 20e6, flash.Judge{Peers: peers(14e6, 22e6, 30e6, 38e6, 46e6)}, flash.PaceAsPeers},
		// median 41, MAD 20: half of it is 20.5, and the spread forgives all else.
		{"under half the median", 20e6, flash.Judge{Peers: peers(1e6, 21e6, 41e6, 61e6, 81e6)}, flash.PaceBelowPeers},
	}
	for _, c := range cases {
		synctest.Test(t, func(t *testing.T) {
			w := measured(t, 96*mib, cardlab.Traits{SizeBytes: 256 * mib, WriteBytesPerSecond: c.rate}, c.judge)
			got := c.judge.Judge(w.Trace())
			if got.Pace != c.want || got.Reason == "" || got.Peers != len(c.judge.Peers) {
				t.Errorf("%s: %+v, want %q", c.name, got, c.want)
			}
		})
	}
}

// Peers are held to their first bytes, as many as this card wrote: all of these were fast only at first.
func TestPeersCountOverTheSameFirstBytes(t *testing.T) {
	slowLater := append(peer(20e6), peer(1e6)...)
	judge := flash.Judge{Peers: [][]flash.Sample{slowLater, slowLater, slowLater, slowLater, slowLater}}
	synctest.Test(t, func(t *testing.T) {
		w := measured(t, 128*mib, cardlab.Traits{SizeBytes: 256 * mib, WriteBytesPerSecond: 8e6}, judge)
		got := judge.Judge(w.Trace())
		near(t, "the peers' median", got.PeersMedian, 20e6, 0.01)
		if got.Pace != flash.PaceBelowPeers {
			t.Errorf("the pace is %+v", got)
		}
	})
}

func TestPaceIsToldWhileWritingFrom64MiBOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		card := newCard(t, cardlab.Traits{SizeBytes: 256 * mib, WriteBytesPerSecond: 5e6})
		meter := &flash.Meter{}
		told := map[bool]int{} // by whether 64 MiB were written
		card.Inject(func(op cardlab.Op) cardlab.Fault {
			look := meter.Look()
			if look.Pace.Pace == flash.PaceBelowFloor {
				told[look.WrittenBytes >= flash.JudgedFromBytes]++
			}
			return cardlab.FaultNone
		})
		pump := flash.NewPump(flash.NewPool(6))
		feed := pump.Feed(meter)
		done := make(chan error, 1)
		go func() {
			done <- writeOne(t.Context(), pump, feed, flash.NewWriter(card, meter, flash.Judge{FloorBytesPerSecond: 10e6}))
		}()
		if err := pump.Run(t.Context(), limited(100*mib)); err != nil {
			t.Fatal(err)
		}
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		if told[false] > 0 || told[true] == 0 {
			t.Errorf("the pace was shown %d times before 64 MiB and %d times after", told[false], told[true])
		}
	})
}

// A trace as it is recorded holds no flushes, so a card whose flushes are slow must not fall behind its own like.
func TestPeersAndCardAreRatedAlikeWhereFlushesAreSlow(t *testing.T) {
	traits := cardlab.Traits{SizeBytes: 256 * mib, WriteBytesPerSecond: 40e6, FlushCost: 3 * time.Second}
	synctest.Test(t, func(t *testing.T) {
		recorded := measured(t, 64*mib, traits, flash.Judge{}).Trace().Samples()
		judge := flash.Judge{Peers: [][]flash.Sample{recorded, recorded, recorded, recorded, recorded}}
		if got := judge.Judge(measured(t, 64*mib, traits, judge).Trace()); got.Pace != flash.PaceAsPeers {
			t.Errorf("a card is judged by five runs like its own as %+v", got)
		}
	})
}
