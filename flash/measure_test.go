package flash_test

import (
	"bytes"
	"errors"
	"io"
	"math"
	"testing"
	"testing/synctest"
	"time"

	"cardwright/flash"
	"cardwright/internal/cardlab"
)

// The truth of these tests is what the emulated card was programmed to do, on a clock that only waiting moves.

// measured flashes an image of zeros and gives the card's writer.
func measured(t *testing.T, imageBytes int64, traits cardlab.Traits, judge flash.Judge) *flash.Writer {
	t.Helper()
	card := newCard(t, traits)
	_, outcomes, err := writeAll(t.Context(), limited(imageBytes), judge, card)
	if err != nil || outcomes[0].err != nil {
		t.Fatal(err, outcomes[0].err)
	}
	return outcomes[0].writer
}

type zeros struct{}

func (zeros) Read(p []byte) (int, error) {
	clear(p)
	return len(p), nil
}

func near(t *testing.T, what string, got, want, share float64) {
	t.Helper()
	if math.Abs(got-want) > share*want {
		t.Errorf("%s is %g, not %g", what, got, want)
	}
}

func TestSustainedRateIsTheCards(t *testing.T) {
	for _, programmed := range []int64{5e6, 20e6, 80e6} {
		synctest.Test(t, func(t *testing.T) {
			w := measured(t, 200*mib, cardlab.Traits{SizeBytes: 256 * mib, WriteBytesPerSecond: programmed}, flash.Judge{})
			f := w.Trace().Figures(true)
			near(t, "the sustained rate", f.SustainedBytesPerSecond, float64(programmed), 0.002)
			near(t, "the busy time", f.BusySeconds, 200*mib/float64(programmed), 0.002)
			near(t, "the time to flash", w.Trace().TimeToFlash().Seconds(), 200*mib/float64(programmed), 0.002)
			near(t, "the lowest window", *f.WindowLowBytesPerSecond, float64(programmed), 0.002)
			near(t, "the median window", *f.WindowMedianBytesPerSecond, float64(programmed), 0.002)
			if w.Trace().SourceWasTheLimit() || len(f.Stalls) > 0 || f.Cliff != nil {
				t.Errorf("an even card shows source wait %v, stalls %v, cliff %v", w.Trace().SourceWait(), f.Stalls, f.Cliff)
			}
		})
	}
}

func TestFlushCountsAsBusyAndProofDoesNot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		// 40 MB at 10 MB/s and three flushes of 2 s: after the body, and twice in the head.
		w := measured(t, 40e6, cardlab.Traits{SizeBytes: 64 * mib, WriteBytesPerSecond: 10e6, FlushCost: 2 * time.Second}, flash.Judge{})
		near(t, "the busy time", w.Trace().Figures(true).BusySeconds, 4+6, 0.01)
		near(t, "the time to flash", w.Trace().TimeToFlash().Seconds(), 4+6, 0.01)
	})
}

func TestSourceWaitIsToldAndLeavesThePaceOpen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		card := newCard(t, cardlab.Traits{SizeBytes: 256 * mib, WriteBytesPerSecond: 80e6})
		source := &slowReader{Reader: limited(128 * mib), bytesPerSecond: 20e6}
		_, outcomes, err := writeAll(t.Context(), source, flash.Judge{FloorBytesPerSecond: 1e6}, card)
		if err != nil || outcomes[0].err != nil {
			t.Fatal(err, outcomes[0].err)
		}
		w := outcomes[0].writer
		wrote, took := 128*mib/80e6, 128*mib/20e6
		near(t, "the sustained rate", w.Trace().BytesPerSecond(), 80e6, 0.002)
		near(t, "the source wait", w.Trace().SourceWait().Seconds(), took-wrote, 0.1)
		if j := (flash.Judge{FloorBytesPerSecond: 1e6}).Judge(w.Trace()); j.Pace != flash.PaceUnjudged || !j.SourceWasTheLimit || j.Reason == "" {
			t.Errorf("the pace is %+v", j)
		}
	})
}

type slowReader struct {
	io.Reader
	bytesPerSecond float64
}

func (s *slowReader) Read(p []byte) (int, error) {
	n, err := s.Reader.Read(p)
	time.Sleep(time.Duration(float64(n) / s.bytesPerSecond * 1e9))
	return n, err
}

// A slower card holds the faster one back, and that shows as the faster one's source wait.
func TestSlowerCardHoldsTheOthersBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		fast := newCard(t, cardlab.Traits{SizeBytes: 256 * mib, WriteBytesPerSecond: 80e6})
		slow := newCard(t, cardlab.Traits{SizeBytes: 256 * mib, WriteBytesPerSecond: 20e6})
		_, outcomes, err := writeAll(t.Context(), limited(128*mib), flash.Judge{}, fast, slow)
		if err != nil || outcomes[0].err != nil || outcomes[1].err != nil {
			t.Fatal(err, outcomes)
		}
		// The fast card may be as many blocks ahead as the pool has.
		least := 128*mib*(1/20e6-1/80e6) - 8*flash.BlockBytes/20e6
		if got := outcomes[0].writer.Trace().SourceWait().Seconds(); got < least {
			t.Errorf("the fast card waited %.2f s, not %.2f s", got, least)
		}
		if outcomes[1].writer.Trace().SourceWasTheLimit() {
			t.Errorf("the slow card waited %v", outcomes[1].writer.Trace().SourceWait())
		}
	})
}

func TestStallIsToldAndTheRestIsNot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const at = 80 * mib
		w := measured(t, 128*mib, cardlab.Traits{
			SizeBytes: 256 * mib, WriteBytesPerSecond: 20e6,
			Stalls: []cardlab.Stall{{OffsetBytes: at + 5, For: 3 * time.Second, Once: true}},
		}, flash.Judge{})
		f := w.Trace().Figures(true)
		if len(f.Stalls) != 1 || f.Stalls[0].OffsetBytes != at {
			t.Fatalf("the stalls are %+v", f.Stalls)
		}
		near(t, "the stall", f.Stalls[0].Seconds, 3+flash.BlockBytes/20e6, 0.01)
		if f.Cliff != nil {
			t.Errorf("a stall was taken for a cliff: %+v", f.Cliff)
		}
	})
}

// Just under the bounds nothing is told: 500 ms more than the median is not over 500 ms more.
func TestShortDelayIsNoStall(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := measured(t, 128*mib, cardlab.Traits{
			SizeBytes: 256 * mib, WriteBytesPerSecond: 20e6,
			Stalls: []cardlab.Stall{{OffsetBytes: 80 * mib, For: 490 * time.Millisecond, Once: true}},
		}, flash.Judge{})
		if f := w.Trace().Figures(true); len(f.Stalls) != 0 {
			t.Errorf("the stalls are %+v", f.Stalls)
		}
	})
}

func TestSlowFlushIsAStall(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := measured(t, 64*mib, cardlab.Traits{SizeBytes: 256 * mib, WriteBytesPerSecond: 20e6, FlushCost: 4 * time.Second}, flash.Judge{})
		if f := w.Trace().Figures(true); len(f.Stalls) != 3 || f.Stalls[0].Seconds != 4 {
			t.Errorf("three flushes of 4 s show as %+v", f.Stalls)
		}
	})
}

func TestCliffStandsWhereTheCacheEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		// The clearing takes 2 MiB of the fast bytes.
		w := measured(t, 400*mib, cardlab.Traits{
			SizeBytes: 512 * mib, CacheBytes: 130 * mib, CacheBytesPerSecond: 80e6, WriteBytesPerSecond: 9e6,
		}, flash.Judge{})
		cliff := w.Trace().Figures(true).Cliff
		if cliff == nil {
			t.Fatal("no cliff was told")
		}
		// The first block was withheld: 128 MiB of the body lie before 132 MiB.
		if cliff.OffsetBytes != 132*mib {
			t.Errorf("the cliff is told at %d MiB", cliff.OffsetBytes/mib)
		}
		near(t, "the rate before", cliff.BeforeBytesPerSecond, 80e6, 0.01)
		near(t, "the rate after", cliff.AfterBytesPerSecond, 9e6, 0.01)
	})
}

func TestNoCliffWhereOnePartIsShortOrTheFallIsSmall(t *testing.T) {
	cases := map[string]cardlab.Traits{
		"60 MiB before": {SizeBytes: 512 * mib, CacheBytes: 62 * mib, CacheBytesPerSecond: 80e6, WriteBytesPerSecond: 70e6},
		"25 % slower":   {SizeBytes: 512 * mib, CacheBytes: 200 * mib, CacheBytesPerSecond: 80e6, WriteBytesPerSecond: 60e6},
	}
	for name, traits := range cases {
		synctest.Test(t, func(t *testing.T) {
			if cliff := measured(t, 400*mib, traits, flash.Judge{}).Trace().Figures(true).Cliff; cliff != nil {
				t.Errorf("%s: %+v", name, cliff)
			}
		})
	}
}

func TestRunTooShortForAWindowHasNone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := measured(t, 16*mib, cardlab.Traits{SizeBytes: 64 * mib, WriteBytesPerSecond: 80e6}, flash.Judge{}).Trace().Figures(true)
		if f.WindowLowBytesPerSecond != nil || f.WindowMedianBytesPerSecond != nil {
			t.Errorf("a run of 0.2 s has windows: %+v", f)
		}
	})
}

func TestWindowsAreTheFewestBlocksOfASecond(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		// One block takes 0.42 s at 10 MB/s, so a window is three; the stall makes one block a window of its own.
		w := measured(t, 15*flash.BlockBytes, cardlab.Traits{
			SizeBytes: 256 * mib, WriteBytesPerSecond: 10e6,
			Stalls: []cardlab.Stall{{OffsetBytes: 4 * flash.BlockBytes, For: 2 * time.Second, Once: true}},
		}, flash.Judge{})
		low := *w.Trace().Figures(true).WindowLowBytesPerSecond
		near(t, "the lowest window", low, flash.BlockBytes/(2+flash.BlockBytes/10e6), 0.01)
	})
}

func TestCardThatStandsStillIsSetAside(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		image := randomImage(12*flash.BlockBytes, 9)
		sound := newCard(t, cardlab.Traits{SizeBytes: 64 * mib, WriteBytesPerSecond: 80e6})
		stuck := newCard(t, cardlab.Traits{SizeBytes: 64 * mib, Stalls: []cardlab.Stall{{OffsetBytes: 14 * mib, For: time.Hour, Once: true}}})
		pump := flash.NewPump(flash.NewPool(8))
		soundMeter, stuckMeter := &flash.Meter{}, &flash.Meter{}
		soundFeed, stuckFeed := pump.Feed(soundMeter), pump.Feed(stuckMeter)
		var soundErr, stuckErr error
		soundDone, stuckDone := make(chan struct{}), make(chan struct{})
		go func() {
			defer close(soundDone)
			soundErr = writeOne(t.Context(), pump, soundFeed, flash.NewWriter(sound, soundMeter, flash.Judge{}))
		}()
		go func() {
			defer close(stuckDone)
			stuckErr = writeOne(t.Context(), pump, stuckFeed, flash.NewWriter(stuck, stuckMeter, flash.Judge{}))
		}()
		began := time.Now()
		if err := pump.Run(t.Context(), bytes.NewReader(image)); err != nil {
			t.Fatal(err)
		}
		<-stuckFeed.Aside()
		if took := time.Since(began); took < 20*time.Second || took > 25*time.Second {
			t.Errorf("the card was set aside after %v", took)
		}
		<-soundDone
		if soundErr != nil {
			t.Errorf("the sound card: %v", soundErr)
		}
		checkCard(t, sound, image, make([]byte, 64*mib))
		<-stuckDone
		if !errors.Is(stuckErr, flash.ErrHeldOthersBack) {
			t.Errorf("the stuck card says %v", stuckErr)
		}
	})
}

// A card may also be set aside when all its blocks wait for it and the image has ended: what was not written then must not
// pass for written when the card's call returns at last.
func TestCardThatIsSetAsideAfterTheImagesEndIsNotDone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sound := newCard(t, cardlab.Traits{SizeBytes: 64 * mib})
		stuck := newCard(t, cardlab.Traits{SizeBytes: 64 * mib, Stalls: []cardlab.Stall{{OffsetBytes: 6 * mib, For: time.Hour, Once: true}}})
		pump := flash.NewPump(flash.NewPool(8))
		soundMeter, stuckMeter := &flash.Meter{}, &flash.Meter{}
		soundFeed, stuckFeed := pump.Feed(soundMeter), pump.Feed(stuckMeter)
		stuckDone := make(chan error, 1)
		go func() {
			stuckDone <- flash.NewWriter(stuck, stuckMeter, flash.Judge{}).WriteBody(t.Context(), stuckFeed)
		}()
		if err := pump.Run(t.Context(), bytes.NewReader(randomImage(4*flash.BlockBytes, 9))); err != nil {
			t.Fatal(err)
		}
		if err := flash.NewWriter(sound, soundMeter, flash.Judge{}).WriteBody(t.Context(), soundFeed); err != nil {
			t.Fatal(err)
		}
		soundFeed.Close()
		for range 30 {
			<-time.After(time.Second)
			pump.SetAside()
		}
		<-stuckFeed.Aside()
		if err := <-stuckDone; !errors.Is(err, flash.ErrHeldOthersBack) {
			t.Errorf("two of its three blocks were taken from it, and it says %v", err)
		}
	})
}

// A card alone holds nobody back, and a slow one that still completes calls is only slow.
func TestSlowCardsAreNotSetAside(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		alone := newCard(t, cardlab.Traits{SizeBytes: 64 * mib, Stalls: []cardlab.Stall{{OffsetBytes: 8 * mib, For: time.Minute, Once: true}}})
		if _, outcomes, err := writeAll(t.Context(), limited(32*mib), flash.Judge{}, alone); err != nil || outcomes[0].err != nil {
			t.Error(err, outcomes[0].err)
		}
		fast := newCard(t, cardlab.Traits{SizeBytes: 64 * mib})
		slow := newCard(t, cardlab.Traits{SizeBytes: 64 * mib, WriteBytesPerSecond: 250e3}) // 17 s for a block
		if _, outcomes, err := writeAll(t.Context(), limited(32*mib), flash.Judge{}, fast, slow); err != nil || outcomes[1].err != nil {
			t.Error(err, outcomes[1].err)
		}
	})
}

func limited(n int64) io.Reader { return io.LimitReader(zeros{}, n) }
