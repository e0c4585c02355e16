package flash_test

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"cardwright/flash"
	"cardwright/internal/cardlab"
)

// Worked by hand from docs/decisions/0018: every pace, and beside each the nearest case that is another one. The cards write
// 20 MB/s, so a bus is the limit where its ceiling is at most 20 / 0.5 = 40 MB/s.
func TestPaceWithClaimsAndBus(t *testing.T) {
	claim := func(megabytes float64) flash.Claim { return flash.Claim{BytesPerSecond: megabytes * 1e6, Marks: "V30"} }
	bus := func(megabytes float64) flash.Bus { return flash.Bus{BytesPerSecond: megabytes * 1e6, Name: "a bus"} }
	alike, faster := peers(18e6, 19e6, 20e6, 21e6, 22e6), peers(50e6, 50e6, 50e6, 50e6, 50e6)
	cases := []struct {
		name   string
		judge  flash.Judge
		want   flash.Pace
		reason string // words of it
	}{
		{"under the claim", flash.Judge{Claim: claim(20.5)}, flash.PaceBelowClaim, "is under the 20.5 MB/s that V30 promises"},
		{"over the claim", flash.Judge{Claim: claim(19.5)}, flash.PaceAsClaimed, "holds the 19.5 MB/s that V30 promises"},
		{"several marks", flash.Judge{Claim: flash.Claim{BytesPerSecond: 30e6, Marks: "U3, V30"}}, flash.PaceBelowClaim, "30 MB/s that U3, V30 promise"},
		{"the floor comes before the claim", flash.Judge{FloorBytesPerSecond: 21e6, Claim: claim(30)}, flash.PaceBelowFloor, "under the floor"},
		{"the claim comes before the peers", flash.Judge{Claim: claim(30), Peers: faster}, flash.PaceBelowClaim, "under the 30 MB/s"},
		{"below peers though as claimed", flash.Judge{Claim: claim(10), Peers: faster}, flash.PaceBelowPeers, "peers"},
		{"four peers are too few beside a claim", flash.Judge{Claim: claim(10), Peers: faster[1:]}, flash.PaceAsClaimed, "holds"},
		{"as claimed comes before as peers", flash.Judge{Claim: claim(10), Peers: alike}, flash.PaceAsClaimed, "holds"},
		{"as claimed comes before as asked", flash.Judge{FloorBytesPerSecond: 5e6, Claim: claim(10)}, flash.PaceAsClaimed, "holds the 10 MB/s"},
		{"as peers comes before as asked", flash.Judge{FloorBytesPerSecond: 5e6, Peers: alike}, flash.PaceAsPeers, "peers"},
		{"as asked where only the floor is known", flash.Judge{FloorBytesPerSecond: 5e6}, flash.PaceAsAsked, "holds the floor"},
		{"nothing to judge by", flash.Judge{}, flash.PaceUnjudged, "no claim is known"},

		{"claim missed on a limited bus", flash.Judge{Claim: claim(30), Bus: bus(39)}, flash.PaceUnjudged, "the bus (a bus, 39.00 MB/s at the most) may have been the limit"},
		{"claim missed on a bus just fast enough", flash.Judge{Claim: claim(30), Bus: bus(41)}, flash.PaceBelowClaim, "under the 30 MB/s"},
		{"claim held on a limited bus", flash.Judge{Claim: claim(10), Bus: bus(39)}, flash.PaceAsClaimed, "holds the 10 MB/s"},
		{"floor missed on a limited bus", flash.Judge{FloorBytesPerSecond: 21e6, Bus: bus(39)}, flash.PaceUnjudged, "a bus"},
		{"floor missed on a bus just fast enough", flash.Judge{FloorBytesPerSecond: 21e6, Bus: bus(41)}, flash.PaceBelowFloor, "under the floor"},
		{"floor held on a limited bus", flash.Judge{FloorBytesPerSecond: 10e6, Bus: bus(39)}, flash.PaceAsAsked, "holds the floor"},
		{"floor held, claim open", flash.Judge{FloorBytesPerSecond: 10e6, Claim: claim(30), Bus: bus(39)}, flash.PaceAsAsked, "under the 30 MB/s that V30 promises, but the bus"},
		{"claim held, floor open", flash.Judge{FloorBytesPerSecond: 21e6, Claim: claim(10), Bus: bus(39)}, flash.PaceUnjudged, "a bus"},
		{"floor and claim held on a limited bus", flash.Judge{FloorBytesPerSecond: 5e6, Claim: claim(10), Bus: bus(39)}, flash.PaceAsClaimed, "holds the 10 MB/s"},
		{"peers on a limited bus say nothing", flash.Judge{Peers: alike, Bus: bus(39)}, flash.PaceUnjudged, "a bus"},
		{"nor do faster ones", flash.Judge{Peers: faster, Bus: bus(39)}, flash.PaceUnjudged, "a bus"},
		{"peers on a bus just fast enough", flash.Judge{Peers: alike, Bus: bus(41)}, flash.PaceAsPeers, "peers"},
		{"an unknown bus limits nothing", flash.Judge{Claim: claim(30), Bus: flash.Bus{Name: "a bus"}}, flash.PaceBelowClaim, "under"},
	}
	synctest.Test(t, func(t *testing.T) {
		trace := measured(t, 96*mib, cardlab.Traits{SizeBytes: 256 * mib, WriteBytesPerSecond: 20e6}, flash.Judge{}).Trace()
		for _, c := range cases {
			got := c.judge.Judge(trace)
			limited := c.judge.Bus.BytesPerSecond == 39e6
			if got.Pace != c.want || !strings.Contains(got.Reason, c.reason) || got.BusWasTheLimit != limited || got.Claim != c.judge.Claim {
				t.Errorf("%s: %+v, want %q: %s", c.name, got, c.want, c.reason)
			}
		}
	})
}

// A card that waited for its source rested, and that it held its claim then says little: it stays unjudged.
func TestSourceLeavesAClaimUnjudged(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		card := newCard(t, cardlab.Traits{SizeBytes: 256 * mib, WriteBytesPerSecond: 40e6})
		judge := flash.Judge{Claim: flash.Claim{BytesPerSecond: 30e6, Marks: "V30"}, Bus: flash.Bus{BytesPerSecond: 50e6, Name: "a bus"}}
		_, outcomes, err := writeAll(t.Context(), &slowReader{Reader: limited(96 * mib), bytesPerSecond: 10e6}, judge, card)
		if err != nil || outcomes[0].err != nil {
			t.Fatal(err, outcomes[0].err)
		}
		if got := judge.Judge(outcomes[0].writer.Trace()); got.Pace != flash.PaceUnjudged || !got.SourceWasTheLimit || !got.BusWasTheLimit {
			t.Errorf("%+v", got)
		}
	})
}

// The meter tells of it while the card is being written, from 64 MiB on, through the same judge.
func TestBelowClaimIsToldWhileWriting(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		card := newCard(t, cardlab.Traits{SizeBytes: 256 * mib, WriteBytesPerSecond: 10e6})
		meter := &flash.Meter{}
		told := map[bool]int{} // by whether 64 MiB were written
		var first flash.Judgement
		card.Inject(func(cardlab.Op) cardlab.Fault {
			if look := meter.Look(); look.Pace.Pace == flash.PaceBelowClaim && look.Step == flash.StepBody {
				if told[look.WrittenBytes >= flash.JudgedFromBytes]++; first.Pace == "" {
					first = look.Pace
				}
			}
			return cardlab.FaultNone
		})
		pump := flash.NewPump(flash.NewPool(6))
		feed := pump.Feed(meter)
		done := make(chan error, 1)
		go func() {
			judge := flash.Judge{Claim: flash.Claim{BytesPerSecond: 30e6, Marks: "U3"}}
			done <- writeOne(t.Context(), pump, feed, flash.NewWriter(card, meter, judge))
		}()
		if err := pump.Run(t.Context(), limited(100*mib)); err != nil {
			t.Fatal(err)
		}
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		if told[false] > 0 || told[true] == 0 || first.Claim.Marks != "U3" {
			t.Errorf("it was told %d times before 64 MiB and %d times after: %+v", told[false], told[true], first)
		}
	})
}

// TestFlushesOfAShortRunMissNoClaim has a card of 20 MB/s whose flushes take 0.3 s, three of them: by hand, 8 MiB take 0.42 s and with
// flushes 1.32 s, which is 6.4 MB/s; 128 MiB take 6.7 s, and with flushes 7.6 s, which is 17.6 MB/s.
func TestFlushesOfAShortRunMissNoClaim(t *testing.T) {
	for _, c := range []struct {
		bytes  int64
		claim  float64
		pace   flash.Pace
		reason string
	}{
		{8 * mib, 15e6, flash.PaceUnjudged, "too little was written to tell"},
		{8 * mib, 6e6, flash.PaceAsClaimed, "holds"},
		{8 * mib, 21e6, flash.PaceBelowClaim, "is under"}, // missed by the writes themselves
		{128 * mib, 15e6, flash.PaceAsClaimed, "holds"},
		{128 * mib, 19.9e6, flash.PaceBelowClaim, "is under"},
	} {
		synctest.Test(t, func(t *testing.T) {
			traits := cardlab.Traits{SizeBytes: 256 * mib, WriteBytesPerSecond: 20e6, FlushCost: 300 * time.Millisecond}
			trace := measured(t, c.bytes, traits, flash.Judge{}).Trace()
			judge := flash.Judge{Claim: flash.Claim{BytesPerSecond: c.claim, Marks: "C10"}}
			if got := judge.Judge(trace); got.Pace != c.pace || !strings.Contains(got.Reason, c.reason) {
				t.Errorf("%d bytes against %.1f MB/s: %s, %s", c.bytes, c.claim/1e6, got.Pace, got.Reason)
			}
		})
	}
}
